package store

import "maps"

// BookWithout is what stays behind, tables and columns, each with its reason.
func BookWithout() map[string]string {
	all := maps.Clone(bookWithout)
	maps.Copy(all, bookWithoutColumns)
	return all
}
