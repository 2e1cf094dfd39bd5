package trace_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/trace"
)

func TestDepthIsTheLeastNumberOfSteps(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name    string
		origins []string
		edges   []trace.Edge
		want    map[string]int
	}{
		{"nothing at all", nil, nil, map[string]int{}},
		{"an origin that nothing was made from", []string{"A"}, nil, map[string]int{"A": 0}},
		{"a batch that nothing leads to is left out", []string{"A"}, []trace.Edge{{"B", "C"}}, map[string]int{"A": 0}},
		{"edges lead one way only", []string{"B"}, []trace.Edge{{"A", "B"}}, map[string]int{"B": 0}},
		{
			"a diamond", []string{"A"},
			[]trace.Edge{{"A", "B"}, {"A", "C"}, {"B", "D"}, {"C", "D"}},
			map[string]int{"A": 0, "B": 1, "C": 1, "D": 2},
		},
		{
			"a short way beside a long one", []string{"A"},
			[]trace.Edge{{"A", "B"}, {"B", "C"}, {"C", "D"}, {"A", "D"}, {"D", "E"}},
			map[string]int{"A": 0, "B": 1, "C": 2, "D": 1, "E": 2},
		},
		{
			"a batch that used the lot itself stays at 0, also behind another", []string{"A", "B"},
			[]trace.Edge{{"A", "B"}, {"B", "C"}},
			map[string]int{"A": 0, "B": 0, "C": 1},
		},
		{
			"the same origin and the same edge twice", []string{"A", "A"},
			[]trace.Edge{{"A", "B"}, {"A", "B"}},
			map[string]int{"A": 0, "B": 1},
		},
		{
			"a ring, which the records refuse, still ends", []string{"A"},
			[]trace.Edge{{"A", "B"}, {"B", "C"}, {"C", "A"}, {"C", "C"}},
			map[string]int{"A": 0, "B": 1, "C": 2},
		},
		{
			"eight steps deep", []string{"0"},
			[]trace.Edge{
				{"7", "8"}, {"6", "7"}, {"5", "6"}, {"4", "5"}, {"3", "4"}, {"2", "3"}, {"1", "2"}, {"0", "1"},
			},
			map[string]int{"0": 0, "1": 1, "2": 2, "3": 3, "4": 4, "5": 5, "6": 6, "7": 7, "8": 8},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tt.want, trace.Depths(tt.origins, tt.edges)); diff != "" {
				t.Errorf("Depths (-want +got):\n%s", diff)
			}
		})
	}
}

func TestPathIsTheFirstInByteOrderOfTheShortest(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name    string
		origins []string
		edges   []trace.Edge
		want    map[string][]string
	}{
		{
			"either side of a diamond", []string{"A"},
			[]trace.Edge{{"A", "C"}, {"A", "B"}, {"C", "D"}, {"B", "D"}},
			map[string][]string{"A": {"A"}, "B": {"A", "B"}, "C": {"A", "C"}, "D": {"A", "B", "D"}},
		},
		{
			"an earlier batch decides over a later one", []string{"B", "A"},
			[]trace.Edge{{"B", "C"}, {"A", "Z"}, {"C", "X"}, {"Z", "X"}},
			map[string][]string{"A": {"A"}, "B": {"B"}, "C": {"B", "C"}, "Z": {"A", "Z"}, "X": {"A", "Z", "X"}},
		},
		{
			"two users of one batch do not share a path", []string{"A"},
			[]trace.Edge{{"A", "B"}, {"B", "C"}, {"C", "D"}, {"C", "E"}},
			map[string][]string{
				"A": {"A"}, "B": {"A", "B"}, "C": {"A", "B", "C"}, "D": {"A", "B", "C", "D"}, "E": {"A", "B", "C", "E"},
			},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tt.want, trace.Paths(tt.origins, tt.edges)); diff != "" {
				t.Errorf("Paths (-want +got):\n%s", diff)
			}
		})
	}
}

// A path per way would be 2^40 of them; this test ends only because each batch is visited once.
func TestFortyDiamondsInARowCostNoMoreThanTheirEdges(t *testing.T) {
	t.Parallel()
	var edges []trace.Edge
	for i := range 40 {
		from, to := fmt.Sprintf("B%03d", i), fmt.Sprintf("B%03d", i+1)
		edges = append(edges, trace.Edge{From: from, To: from + "-left"}, trace.Edge{From: from, To: from + "-right"},
			trace.Edge{From: from + "-left", To: to}, trace.Edge{From: from + "-right", To: to})
	}
	if got := trace.Depths([]string{"B000"}, edges)["B040"]; got != 80 {
		t.Errorf("depth of the last = %d, want 80", got)
	}
	if got := len(trace.Paths([]string{"B000"}, edges)["B040"]); got != 81 {
		t.Errorf("path to the last has %d batches, want 81", got)
	}
}

func TestDepthsPathsAndReachAgreeWithDistancesByMatrix(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringOfN(rapid.RuneFrom([]rune("abcdefgh")), 1, 1, -1)
		origins := rapid.SliceOfN(name, 0, 3).Draw(t, "origins")
		pairs := rapid.SliceOfN(rapid.SliceOfN(name, 2, 2), 0, 20).Draw(t, "edges")
		var edges []trace.Edge
		for _, p := range pairs {
			edges = append(edges, trace.Edge{From: p[0], To: p[1]})
		}
		depths, paths := byMatrix(origins, edges)
		reach := map[string]bool{}
		for batch := range depths {
			reach[batch] = true
		}
		if diff := cmp.Diff(depths, trace.Depths(origins, edges)); diff != "" {
			t.Fatalf("Depths (-matrix +got):\n%s", diff)
		}
		if diff := cmp.Diff(paths, trace.Paths(origins, edges)); diff != "" {
			t.Fatalf("Paths (-matrix +got):\n%s", diff)
		}
		if diff := cmp.Diff(reach, trace.Reach(origins, edges)); diff != "" {
			t.Fatalf("Reach (-matrix +got):\n%s", diff)
		}
	})
}

func TestTheOrderOfOriginsAndEdgesDoesNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringOfN(rapid.RuneFrom([]rune("abcdefgh")), 1, 1, -1)
		origins := rapid.SliceOfN(name, 1, 4).Draw(t, "origins")
		var edges []trace.Edge
		for _, p := range rapid.SliceOfN(rapid.SliceOfN(name, 2, 2), 0, 20).Draw(t, "edges") {
			edges = append(edges, trace.Edge{From: p[0], To: p[1]})
		}
		otherOrigins := rapid.Permutation(origins).Draw(t, "other origins")
		otherEdges := rapid.Permutation(edges).Draw(t, "other edges")
		if diff := cmp.Diff(trace.Paths(origins, edges), trace.Paths(otherOrigins, otherEdges)); diff != "" {
			t.Fatalf("Paths (-one order +the other):\n%s", diff)
		}
	})
}

// byMatrix works the answer out another way: all distances by Floyd and Warshall, then each path by choosing, batch
// by batch from the front, the least next one that still lies on a shortest way.
func byMatrix(origins []string, edges []trace.Edge) (map[string]int, map[string][]string) {
	const far = 1000
	var names []string
	for _, e := range edges {
		names = append(names, e.From, e.To)
	}
	names = append(names, origins...)
	slices.Sort(names)
	names = slices.Compact(names)
	dist := map[[2]string]int{}
	for _, a := range names {
		for _, b := range names {
			dist[[2]string{a, b}] = far
		}
	}
	for _, e := range edges {
		dist[[2]string{e.From, e.To}] = 1
	}
	for _, a := range names {
		dist[[2]string{a, a}] = 0
	}
	for _, via := range names {
		for _, a := range names {
			for _, b := range names {
				dist[[2]string{a, b}] = min(dist[[2]string{a, b}], dist[[2]string{a, via}]+dist[[2]string{via, b}])
			}
		}
	}
	depths, paths := map[string]int{}, map[string][]string{}
	starts := slices.Clone(origins)
	slices.Sort(starts)
	for _, to := range names {
		least := far
		for _, start := range starts {
			least = min(least, dist[[2]string{start, to}])
		}
		if least == far {
			continue
		}
		depths[to] = least
		for _, start := range starts {
			if dist[[2]string{start, to}] != least {
				continue
			}
			path := []string{start}
			for at := start; at != to; {
				for _, next := range names {
					if dist[[2]string{at, next}] == 1 && dist[[2]string{next, to}] == least-len(path) {
						path, at = append(path, next), next
						break
					}
				}
			}
			paths[to] = path
			break
		}
	}
	return depths, paths
}
