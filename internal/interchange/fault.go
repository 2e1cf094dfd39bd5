package interchange

import (
	"cmp"
	"fmt"
)

// Fault is one thing wrong at one place. Row counts as a spreadsheet does: the header is row 1. 0 is the whole file.
type Fault struct {
	File   string `json:"file"`
	Row    int    `json:"row"`
	Column string `json:"column"`
	Words  string `json:"words"`
}

func (f Fault) String() string {
	s := f.File + ":"
	if f.Row > 0 {
		s += fmt.Sprintf("%d:", f.Row)
	}
	if f.Column != "" {
		s += " " + f.Column + ":"
	}
	return s + " " + f.Words
}

// Compare orders faults by file, row and column.
func Compare(a, b Fault) int {
	return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Row, b.Row), cmp.Compare(a.Column, b.Column), cmp.Compare(a.Words, b.Words))
}
