package paths

import (
	"net/url"
	"strconv"
)

// CompareVersions holds two versions of a formula side by side; 0 leaves one to be chosen there.
func CompareVersions(formula string, a, b int) string {
	q := url.Values{}
	for name, n := range map[string]int{"a": a, "b": b} {
		if n > 0 {
			q.Set(name, strconv.Itoa(n))
		}
	}
	if len(q) == 0 {
		return Formula(formula) + "/compare"
	}
	return Formula(formula) + "/compare?" + q.Encode()
}

// CompareBatches holds two batches side by side. Without a it is the one before b of the same formula; without both
// they are chosen there.
func CompareBatches(a, b string) string {
	q := url.Values{}
	for name, code := range map[string]string{"a": a, "b": b} {
		if code != "" {
			q.Set(name, code)
		}
	}
	if len(q) == 0 {
		return "/batches/compare"
	}
	return "/batches/compare?" + q.Encode()
}
