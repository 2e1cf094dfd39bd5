package ui

import (
	"slices"
	"strings"
)

// Care is a caution and what it is about; What is empty where it holds for the whole of what the page is about.
type Care struct{ What, Words string }

// cares brings cautions into the lines that a page shows: each said once, with the names of all that it is about. The
// same usual text stands on many materials, and a caution is read only while it is short.
func cares(list []Care) []Care {
	var out []Care
	for _, c := range list {
		for words := range strings.SplitSeq(c.Words, "\n") {
			if words = strings.TrimSpace(words); words == "" {
				continue
			}
			i := slices.IndexFunc(out, func(x Care) bool { return x.Words == words })
			switch {
			case i < 0:
				out = append(out, Care{What: c.What, Words: words})
			case out[i].What == "" || c.What == "":
				out[i].What = ""
			case !slices.Contains(strings.Split(out[i].What, ", "), c.What):
				out[i].What += ", " + c.What
			}
		}
	}
	return out
}

// defers tells whether the texts themselves send the reader to the safety data sheet.
func defers(list []Care) bool {
	return slices.ContainsFunc(list, func(c Care) bool { return strings.Contains(c.Words, "safety data sheet") })
}

// about makes texts into cautions on the whole page.
func about(texts []string) []Care {
	var list []Care
	for _, words := range texts {
		list = append(list, Care{Words: words})
	}
	return list
}
