package store_test

import "flag"

// A random check of the store writes a book, which grows from one to the next: forty a run, drawn anew in every run.
// -rapid.checks asks for more.
func init() {
	if err := flag.Set("rapid.checks", "40"); err != nil {
		panic(err)
	}
}
