// Package release decides whether bulk or a packing may leave quarantine: it lists each condition with its evidence,
// in a maker's words, and says which of them stand in the way. Source of the conditions: Stillroom's own design
// ("Release"), after ISO 22716 §8 (from memory). A release that these allow is the maker's decision, and no claim
// that the product is safe.
//
// It rests on one rule: what is not known has not been shown. Every zero value fails, so that a field that the store
// forgot, or a list that it never read, stops a release instead of letting one through.
package release

import (
	"encoding/json"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/measure"
)

// Subject is what is released.
type Subject string

const (
	Packing Subject = "packing"
	Bulk    Subject = "bulk"   // to be drawn by other batches: not packed, so no label, date, clearance or cure is asked
	Set     Subject = "set"    // a packing put together from units: nothing was made, so no step, control, room, cure or mass is asked, but units in and out
	Recall  Subject = "recall" // closed, with what was still open in view
)

// Decision is what was decided about a deviation. Anything but these two is no decision.
type Decision string

const (
	Undecided Decision = ""       // not decided, or no deviation was written
	Accept    Decision = "accept" // may go on
	Reject    Decision = "reject" // may not leave
)

// List is a list that the store read. An empty one that was read is a fact ("no deviations"); one never read is not.
type List[T any] struct {
	read bool
	rows []T
}

// Read makes the list of rows that were read, maybe none.
func Read[T any](rows ...T) List[T] { return List[T]{read: true, rows: rows} }

// MarshalJSON writes the rows, [] where there are none and null where they were never read, so that evidence can be
// part of what is signed.
func (l List[T]) MarshalJSON() ([]byte, error) {
	if l.read && l.rows == nil {
		return []byte("[]"), nil
	}
	return json.Marshal(l.rows)
}

// Evidence is all that a release is judged by, as the records stand (replaced entries left out). The fields that are
// marked so are read for a packing only.
type Evidence struct {
	// Style is what the words of the conditions are written in: what was shown is what is signed.
	Style   measure.Style `json:"-"`
	Subject Subject       // anything but Bulk and Set is judged as a packing

	// Inputs are every lot and source batch that went in: as weighed, through tubs and topped-up lots to any depth, and
	// for a packing its packaging lots too.
	Inputs List[Input]
	// Steps are the method's steps and the formula's lines to weigh.
	Steps      List[Step]
	Controls   List[Control]
	Deviations List[Deviation]
	Climate    Climate
	Yield      Yield
	Equipment  List[Equipment]
	Late       List[Late]

	Cure       Cure           // packing only
	BestBefore BestBefore     // packing only
	Clearance  Clearance      // packing only
	Label      Label          // packing only
	Packaging  List[Packaged] // packing only

	Parts List[Part] // set only
}

// Kinds and states of an Input.
const (
	Lot       = "lot"
	Batch     = "batch"     // drawn bulk, rejects or left-over, or units of another batch
	Untracked = "untracked" // water and the like: Code is the note of its source

	Released    = "released"
	Quarantined = "quarantined"
	Rejected    = "rejected"
	Recalled    = "recalled"
	Held        = "held" // units of a packing that may not leave for now
)

// Input is one lot or batch that went in.
type Input struct {
	Kind  string // Lot, Batch or Untracked
	Code  string
	Name  string // of the material or the product
	State string // of the lot or batch now: Released, Quarantined, Rejected, Recalled, Held

	UsedOn    string // the day it went in, ISO 8601; needed for a lot
	ExpiresOn string // the last day it may be used, ISO 8601; empty where there is none
	RetestOn  string // the day by which a lot is looked at again, ISO 8601: used later it warns; empty where there is none

	// Deviation is the decision on this input's own deviation. It lets an expired or quarantined one pass, never a
	// rejected or recalled one: that changes only by an owner's decision on the lot itself.
	Deviation Decision
	// Signed says who gave leave, before it went in, to work in rejected or left-over product: "Ann Quill, 4 May 2026".
	// Such an input is Released.
	Signed string
}

// Part is what a set takes of one product, in units.
type Part struct {
	Name         string
	Needed, Used int
	Deviation    Decision // on the difference
}

// Step is one step of the method, or one line to weigh.
type Step struct {
	Name      string
	Done      bool
	Deviation Decision // on leaving it out
}

// Control is one in-process control that the formula asks for.
type Control struct {
	Name      string // "pH"
	Stage     string // "at moulding", "at end of cure", "at packing"
	Done      bool
	InLimits  bool
	Words     string   // what was found and what is asked: "10.6; the formula allows 8 to 10.5"
	Deviation Decision // on being outside, or not done
}

// Deviation is any deviation of the batch or the packing.
type Deviation struct {
	Name     string // what happened, short
	Decision Decision
}

// Climate is the room at making.
type Climate struct {
	Recorded  bool
	Words     string   // "19.5 °C, 48 %"
	Outside   []string // each limit that was passed, in words: "63 % humidity; the formula allows 60 %"
	Deviation Decision // on being outside, or not recorded
}

// Yield is what came out, against what went in.
type Yield struct {
	Measured bool // the units were counted, or the bulk weighed
	Good     int  // good units; packing only
	// UnexplainedG and UnexplainedPct are what the reconciliation leaves, signed; LimitPct is the formula's limit on it.
	UnexplainedG, UnexplainedPct, LimitPct decimal.Decimal
	// UnitsOff says in words how the units counted miss those moulded; empty where they add up or cannot be compared.
	UnitsOff    string
	Explanation string
}

// Equipment is one scale, vessel or other thing named in the batch. Its checks warn and never block.
type Equipment struct {
	Name     string
	NoCheck  bool   // it needs none: a mould, a spoon
	Never    bool   // one is kept, and it had never been checked when it was used
	CheckDue string // ISO 8601, the last day on which the check still held when it was used
	UsedOn   string // ISO 8601, the last use
	// FailedOn is the day of a check that failed, ISO 8601: the last one before it was used, one while it was used, or,
	// with FailedAfter, the next one after it. Empty where none of them did.
	FailedOn    string
	FailedAfter bool
	// NoneNamed is a row of its own: the workshop keeps equipment, and the batch names none of it.
	NoneNamed bool
}

// Late is one entry that was made after the fact. It warns.
type Late struct{ Name string }

// Cure is the time between moulding and packing.
type Cure struct {
	NotAsked       bool // the formula has no cure
	MinHours       int  // 0 fails unless NotAsked: then the formula was not looked at
	Started, Ended time.Time
	Deviation      Decision // on packing early
}

// BestBefore is the packing's date, or its period after opening.
type BestBefore struct {
	Printed string   // what the label says: "30 Apr 2027", "12 months after opening"
	Reason  string   // which rule decided
	Unknown []string // lots that count and have no known expiry: warns
}

// Clearance is the check that nothing of the batch before is left where this one is packed.
type Clearance struct {
	By       string // printed name
	At       time.Time
	PackedAt time.Time // when packing started
}

// Label is the check of the label against the product and the batch.
type Label struct {
	Ticked   bool
	By       string
	Specimen string // what stands on the label that was kept
}

// Packaged is one packaging material that the product asks for, or its labels where they are no material of their own.
type Packaged struct {
	Name   string
	Lots   []string // codes of the lots it came from
	NoLots bool     // none are kept of it: labels printed as they are needed
	// Counts in the material's unit. Issued = used + spoiled + returned, else Explanation says why not.
	Issued, Used, Spoiled, Returned decimal.Decimal
	// LimitPct of what was issued need not be explained: nothing of what is counted, some of what is cut from a roll.
	LimitPct    decimal.Decimal
	Explanation string
}
