// Package closing lays a recall out as one report: what it was about, who was told, what was counted back, what is left.
// It can be read while the recall runs, and says then that it is not the last.
//
// What a status report of a recall is asked to hold in the United States (consignees told, when and how; those who answered
// and who did not; products returned and the quantity accounted for; 21 CFR 7.53, from memory) is in it; it is a yardstick
// for what is written down, and nothing here claims that it binds a small maker.
package closing

import (
	"time"

	"example.org/stillroom/internal/countback"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/release"
)

// Source is a recall as the store read it in one snapshot.
type Source struct {
	Workshop string
	Zone     *time.Location
	Style    measure.Style
	Now      time.Time // when the report is written out
	By       string    // who asked for it
	ChainN   int64     // where the chain of records stood then
	ChainSum string    // hex SHA-256

	Code, Level, Title, Reason, Hazard, ToDo, Remedy, Contact string

	OpenedAt      time.Time
	OpenedBy      string
	Closed        *Closed  // nil while it runs
	Origins       []string // what it started from, in words
	Lots, Batches []Node
	Packings      []Packing
	Customers     []Customer
	Units         countback.Units
	Untied        int // among Units.Returned: without a known dispatch
	Beyond        int // customers that the level leaves out, with
	BeyondUnits   int // units
	Open          []release.Condition
	Events        []Event // in order of time
}

// Closed is how it ended.
type Closed struct {
	At        time.Time
	Note      string
	Name      string // printed, of who signed
	LocalTime string
	Hash      string
	Broken    bool // the record is no longer what was signed
	Told      bool // it came in with an import
	Seen      []release.Condition
}

// Node is a lot or a batch of the scope.
type Node struct{ Code, Name string }

// Packing is a packing of the scope: its units when the list was frozen, and now.
type Packing struct {
	Code, Product, Printed string
	Good, Out, OnHand      int // when it was frozen; Out is sent less what had come back
	Counted                *int
	Restocked, Destroyed   int // came back since: kept here, destroyed here
	Left                   int // left our shelf otherwise since: thrown away, used
	OnHandNow, HeldNow     int
}

// Customer is somebody who had units.
type Customer struct {
	Code, Name, Kind string
	countback.Units
	ToldAt   *time.Time // last
	How, By  string
	Times    int
	Answered day.Day
}

// Event is one entry of the timeline.
type Event struct {
	At        time.Time // happened
	Written   time.Time // was written down, where that is another time
	What, By  string
	Withdrawn bool
	Why       string // it was withdrawn
}
