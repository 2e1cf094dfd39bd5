package batchcode

import (
	"cmp"
	"slices"
	"strings"
)

// Deletions are the near-keys of a folded key: the key itself and what is left without each one of its
// characters, each once. Two keys that differ by one wrong, missing, extra or swapped character share one of
// them, so that near codes are found by equality, which an index can do. A key longer than any code with one
// character too many is near none: only it comes back, and a pasted page costs nothing.
func Deletions(key string) []string {
	all := []string{key}
	if len(key) > MaxLength+1 {
		return all
	}
	for i := range len(key) {
		// Within a run of the same character each deletion leaves the same.
		if i == 0 || key[i] != key[i-1] {
			all = append(all, key[:i]+key[i+1:])
		}
	}
	return all
}

// Near tells whether two codes, folded, differ by at most one wrong, missing or extra character or one swap of
// neighbours. What holds no letter or digit is near nothing.
func Near(a, b string) bool {
	x, y := Fold(a), Fold(b)
	return x != "" && y != "" && (x == y || swapped(x, y) || oneOff(x, y))
}

// trim takes off what two keys have in common at both ends.
func trim(x, y string) (string, string) {
	for x != "" && y != "" && x[0] == y[0] {
		x, y = x[1:], y[1:]
	}
	for x != "" && y != "" && x[len(x)-1] == y[len(y)-1] {
		x, y = x[:len(x)-1], y[:len(y)-1]
	}
	return x, y
}

func swapped(x, y string) bool {
	x, y = trim(x, y)
	return len(x) == 2 && len(y) == 2 && x[0] == y[1] && x[1] == y[0]
}

func oneOff(x, y string) bool {
	x, y = trim(x, y)
	return len(x) <= 1 && len(y) <= 1
}

// Rank orders codes by how likely they are what was meant by the query, best first: the same letters and
// digits, only look-alikes apart, two neighbours swapped, one character wrong, missing or extra; in byte order
// within each. The rest is dropped, and a code given twice comes once.
func Rank(query string, codes []string) []string {
	type candidate struct {
		code string
		rank int
	}
	var found []candidate
	for _, code := range codes {
		if rank, near := distance(query, code); near {
			found = append(found, candidate{code, rank})
		}
	}
	slices.SortFunc(found, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), strings.Compare(a.code, b.code))
	})
	var ranked []string
	for _, c := range slices.Compact(found) {
		ranked = append(ranked, c.code)
	}
	return ranked
}

func distance(query, code string) (rank int, near bool) {
	x, y := Fold(query), Fold(code)
	switch {
	case !Near(query, code):
		return 0, false
	case bare(query) == bare(code):
		return 0, true
	case x == y:
		return 1, true
	case swapped(x, y):
		return 2, true
	}
	return 3, true
}
