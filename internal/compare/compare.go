// Package compare finds what differs between two versions of a formula and between two makings of it. It only pairs and
// measures; what a difference means is for the maker to say. How things are paired is common practice, no source.
package compare

import (
	"slices"
	"strings"
)

// Kind is what became of one thing.
type Kind string

// What became of it: Added is in the second only, Removed in the first only.
const (
	Same    Kind = "same"
	Changed Kind = "changed"
	Added   Kind = "added"
	Removed Kind = "removed"
)

// Pair is one thing of the first beside its counterpart in the second; the side where there is none is nil.
type Pair[T any] struct {
	A, B *T
	Kind Kind
}

// Either is the second's, or the first's where the second has none.
func (p Pair[T]) Either() T {
	if p.B != nil {
		return *p.B
	}
	return *p.A
}

// Field is a particular in words.
type Field struct{ Name, Value string }

// Fields pairs particulars by name.
func Fields(a, b []Field) []Pair[Field] {
	return pair(a, b, func(f Field) string { return f.Name }, func(a, b Field) bool { return a == b })
}

// Differing is how many pairs are not the same.
func Differing[T any](pairs []Pair[T]) int {
	n := 0
	for _, p := range pairs {
		if p.Kind != Same {
			n++
		}
	}
	return n
}

// pair matches the things of one key, the first of the first list with the first of the second and so on, wherever they
// stand. The pairs come in the order of the second list; what only the first has stands behind what it stood behind there.
func pair[T any](a, b []T, key func(T) string, same func(a, b T) bool) []Pair[T] {
	open := map[string][]int{}
	for i := range a {
		open[key(a[i])] = append(open[key(a[i])], i)
	}
	partner := make([]int, len(b)) // in a, or -1
	for j := range b {
		partner[j] = -1
		if k := key(b[j]); len(open[k]) > 0 {
			partner[j], open[k] = open[k][0], open[k][1:]
		}
	}
	return join(a, b, partner, same)
}

// join makes the pairs of two lists, given for each thing of b the index of its partner in a, or -1.
func join[T any](a, b []T, partner []int, same func(a, b T) bool) []Pair[T] {
	type placed struct {
		pair Pair[T]
		a    int
	}
	list := make([]placed, 0, len(b))
	paired := make([]bool, len(a))
	for j := range b {
		p := placed{Pair[T]{B: &b[j], Kind: Added}, partner[j]}
		if p.a >= 0 {
			paired[p.a] = true
			p.pair.A, p.pair.Kind = &a[p.a], Changed
			if same(a[p.a], b[j]) {
				p.pair.Kind = Same
			}
		}
		list = append(list, p)
	}
	for i := range a {
		if paired[i] {
			continue
		}
		behind := -1 // before everything
		if i > 0 {
			behind = slices.IndexFunc(list, func(p placed) bool { return p.a == i-1 })
		}
		list = slices.Insert(list, behind+1, placed{Pair[T]{A: &a[i], Kind: Removed}, i})
	}
	pairs := make([]Pair[T], len(list))
	for i, p := range list {
		pairs[i] = p.pair
	}
	return pairs
}

// fold makes names alike that a person would read alike.
func fold(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), " ")) }

// texts pairs lists of texts that stand in an order: what is alike keeps its place (longest common subsequence), and
// of what is taken out and put in at one place those that share words are one text that was changed.
func texts[T any](a, b []T, text func(T) string, same func(a, b T) bool) []Pair[T] {
	// common[i][j] is the most that a[i:] and b[j:] have in common in order.
	common := make([][]int, len(a)+1)
	for i := range common {
		common[i] = make([]int, len(b)+1)
	}
	for i := len(a) - 1; i >= 0; i-- {
		for j := len(b) - 1; j >= 0; j-- {
			if fold(text(a[i])) == fold(text(b[j])) {
				common[i][j] = common[i+1][j+1] + 1
			} else {
				common[i][j] = max(common[i+1][j], common[i][j+1])
			}
		}
	}
	partner := make([]int, len(b))
	var out, in []int // of one gap
	meet := func() {
		for _, j := range in {
			partner[j] = -1
			for at, i := range out {
				if alike(text(a[i]), text(b[j])) {
					// What stood before it was taken out: texts keep their order.
					partner[j], out = i, out[at+1:]
					break
				}
			}
		}
		out, in = nil, nil
	}
	i, j := 0, 0
	for i < len(a) || j < len(b) {
		switch {
		case i < len(a) && j < len(b) && fold(text(a[i])) == fold(text(b[j])):
			meet()
			partner[j] = i
			i, j = i+1, j+1
		case j == len(b) || i < len(a) && common[i+1][j] >= common[i][j+1]:
			out, i = append(out, i), i+1
		default:
			in, j = append(in, j), j+1
		}
	}
	meet()
	return join(a, b, partner, same)
}

// alikePct is how much of the longer text's words two texts have to share to be one text that was changed.
const alikePct = 40

func alike(a, b string) bool {
	left, right := strings.Fields(fold(a)), strings.Fields(fold(b))
	longer := max(len(left), len(right))
	shared := 0
	for _, word := range left {
		if at := slices.Index(right, word); at >= 0 {
			shared++
			right = slices.Delete(right, at, at+1)
		}
	}
	return longer > 0 && shared*100 >= alikePct*longer
}
