package interchange

// Edges are steps from one thing into another that was made from it, each with the row that says so; row 0 is what stood in
// the book before.
type Edges[K comparable] struct {
	number map[K]int32
	names  []K
	from   []int32
	to     []int32
	row    []int32
}

// Circle is a row whose step closes a circle: Into would contain itself.
type Circle[K comparable] struct {
	Row  int
	Into K
}

// Add notes that from went into to.
func (e *Edges[K]) Add(row int, from, to K) {
	e.from, e.to, e.row = append(e.from, e.of(from)), append(e.to, e.of(to)), append(e.row, int32(row))
}

// Len is how many steps there are.
func (e *Edges[K]) Len() int { return len(e.from) }

func (e *Edges[K]) of(k K) int32 {
	if n, ok := e.number[k]; ok {
		return n
	}
	if e.number == nil {
		e.number = map[K]int32{}
	}
	n := int32(len(e.names))
	e.number[k] = n
	e.names = append(e.names, k)
	return n
}

// Circles are the rows whose two ends lie in one circle.
func (e *Edges[K]) Circles() []Circle[K] {
	component := e.components()
	var found []Circle[K]
	for n := range e.from {
		if e.row[n] > 0 && component[e.from[n]] == component[e.to[n]] {
			found = append(found, Circle[K]{Row: int(e.row[n]), Into: e.names[e.to[n]]})
		}
	}
	return found
}

// components numbers what contains each other alike: Tarjan's strongly connected components (R. Tarjan, "Depth-first
// search and linear graph algorithms", SIAM J. Comput. 1, 1972), with a stack of its own, as chains may be long.
func (e *Edges[K]) components() []int32 {
	nodes := len(e.names)
	first := make([]int32, nodes+1) // of each node's steps in order
	for _, f := range e.from {
		first[f+1]++
	}
	for n := range nodes {
		first[n+1] += first[n]
	}
	order, next := make([]int32, len(e.from)), append([]int32(nil), first...)
	for n, f := range e.from {
		order[next[f]] = e.to[n]
		next[f]++
	}
	index, low, component := make([]int32, nodes), make([]int32, nodes), make([]int32, nodes)
	at := append([]int32(nil), first[:nodes]...)
	var stack, path []int32
	var count, parts int32
	onStack := make([]bool, nodes)
	enter := func(n int32) {
		count++
		index[n], low[n], onStack[n] = count, count, true
		stack, path = append(stack, n), append(path, n)
	}
	for start := range int32(nodes) {
		if index[start] != 0 {
			continue
		}
		for enter(start); len(path) > 0; {
			n := path[len(path)-1]
			if at[n] < first[n+1] {
				to := order[at[n]]
				at[n]++
				if index[to] == 0 {
					enter(to)
				} else if onStack[to] {
					low[n] = min(low[n], index[to])
				}
				continue
			}
			path = path[:len(path)-1]
			if len(path) > 0 {
				low[path[len(path)-1]] = min(low[path[len(path)-1]], low[n])
			}
			if low[n] != index[n] {
				continue
			}
			parts++
			for {
				top := stack[len(stack)-1]
				stack = stack[:len(stack)-1]
				onStack[top], component[top] = false, parts
				if top == n {
					break
				}
			}
		}
	}
	return component
}
