// Package trace turns what a trace found into what people read: how far each batch is from the origin, by which way
// it was reached, how many units are accounted for, and the rows of the interchange and of a recall's list.
//
// The database finds the set of batches, by one recursive query that may not carry depth (it would never end on a
// cycle, and a path explodes on diamonds); depth and paths are computed here, over the found set only.
package trace

import "slices"

// Edge is one step of genealogy between two batches, by code or id: From went into To. To go backward, swap them.
type Edge struct{ From, To string }

// Depths gives each batch that can be reached from the origins, with the least number of batch-to-batch steps to it;
// origins are at 0. It ends on cycles and costs no more than the number of edges, however many diamonds there are.
func Depths(origins []string, edges []Edge) map[string]int {
	depths := make(map[string]int, len(edges)+1)
	walk(origins, edges, func(batch, from string, origin bool) {
		if origin {
			depths[batch] = 0
			return
		}
		depths[batch] = depths[from] + 1
	})
	return depths
}

// Paths gives one shortest way to each batch that can be reached: origin first, the batch itself last. Among ways of
// equal length it is the first in byte order, batch by batch, so that the same trace always shows the same way.
func Paths(origins []string, edges []Edge) map[string][]string {
	paths := make(map[string][]string, len(edges)+1)
	walk(origins, edges, func(batch, from string, origin bool) {
		if origin {
			paths[batch] = []string{batch}
			return
		}
		// Clip, or two batches reached from the same one would write into one array.
		paths[batch] = append(slices.Clip(paths[from]), batch)
	})
	return paths
}

// walk visits each reachable batch once, breadth first. Origins and each batch's users are taken in byte order: then
// the queue holds every level in the byte order of the ways to it, and the first to reach a batch is the least.
func walk(origins []string, edges []Edge, visit func(batch, from string, origin bool)) {
	users := make(map[string][]string, len(edges))
	for _, e := range edges {
		users[e.From] = append(users[e.From], e.To)
	}
	queue := slices.Compact(slices.Sorted(slices.Values(origins)))
	seen := make(map[string]bool, len(edges)+1)
	for _, origin := range queue {
		seen[origin] = true
		visit(origin, "", true)
	}
	for len(queue) > 0 {
		from := queue[0]
		queue = queue[1:]
		next := users[from]
		slices.Sort(next)
		for _, to := range next {
			if !seen[to] {
				seen[to] = true
				visit(to, from, false)
				queue = append(queue, to)
			}
		}
	}
}

// Reach gives the batches that can be reached from the origins, origins too, the slow and plain way: go over all
// edges until nothing is added. It exists to hold the database's answer to.
func Reach(origins []string, edges []Edge) map[string]bool {
	reached := make(map[string]bool, len(origins))
	for _, origin := range origins {
		reached[origin] = true
	}
	for before := -1; before != len(reached); {
		before = len(reached)
		for _, e := range edges {
			if reached[e.From] {
				reached[e.To] = true
			}
		}
	}
	return reached
}
