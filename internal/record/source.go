package record

import (
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/yield"
)

// Source is a batch as the store read it in one snapshot: plain values, entries that were corrected among them. Masses
// are g, temperatures °C; other quantities stand beside their unit.
type Source struct {
	Workshop string
	Zone     *time.Location
	Style    measure.Style
	Now      time.Time // when the record is written out
	By       string    // who asked for it
	ChainN   int64     // where the chain of records stood then
	ChainSum string    // hex SHA-256

	Code         string
	Origin       string // bench or history
	Set          bool   // put together from units of other batches
	Bulk         bool   // drawn by other batches, not packed
	Status       string
	FormulaCode  string
	FormulaName  string
	ProductCode  string // as planned
	ProductName  string
	PlannedUnits int
	PlannedG     decimal.NullDecimal
	MadeAt       time.Time
	MadeOn       day.Day
	MadeBy       string
	Late         bool
	Place        string
	Moulded      Moulded
	Cure         Cure
	PackedAt     time.Time
	BestBefore   day.Day // of bulk
	BulkG        decimal.NullDecimal
	DrawnG       decimal.Decimal

	Master    *Master // nil where no formula is kept for it
	Lines     []Line
	Additions []Input // what no line of the formula asks for
	Lots      []Lot   // all that went in or around, through tubs
	Sources   []SourceBatch
	Steps     []Step
	Equipment []Equipment
	Air       []Air
	// OnlyC and OnlyPct are the room at making where an older book has one of the two.
	OnlyC, OnlyPct decimal.NullDecimal
	Controls       []Control // those at packing hold the readings of all packings
	Rejects        []Reject
	Yield          Yield
	Stages         []StageMass
	Packings       []Packing
	Codes          []OnUnits
	Samples        []Sample
	Deviations     []Deviation
	Changes        []Change
	Rework         []Rework
	Releases       []Release
	Documents      []Paper
}

// Made is who wrote something down and when.
type Made struct {
	By string
	At time.Time
}

// Gone tells that an entry no longer stands.
type Gone struct {
	Now string // id of the entry that replaced it; empty where it was withdrawn
	Why string
	Made
}

// Entry is what each entry at the bench has.
type Entry struct {
	ID string
	Made
	Gone *Gone // nil while it stands
}

// Moulded is what was moulded, zero where nothing was.
type Moulded struct {
	At    time.Time
	Units *int
	Grams decimal.NullDecimal
}

// Cure is the time between moulding and packing with the room over it.
type Cure struct {
	Word       string // cure, dry or set
	Hours      int    // the formula's least; 0 for none
	Start, End time.Time
	Room       climate.Summary
	Weighings  []CureWeighing
}

// CureWeighing is the marked unit weighed again.
type CureWeighing struct {
	Entry
	Taken time.Time
	Grams decimal.Decimal
}

// Master is the version of the formula that the batch was made by.
type Master struct {
	Version            int
	ApprovedBy         string
	ApprovedAt         time.Time
	Approved, Computed string // hex SHA-256 of the content: at approval, and of what is printed here
	NominalG           decimal.Decimal
	TolerancePct       decimal.Decimal
	ToleranceG         decimal.Decimal
	LossPct            decimal.Decimal
	LimitPct           decimal.Decimal // of what may be unexplained
	MinC, MaxC         decimal.NullDecimal
	MinPct, MaxPct     decimal.NullDecimal
	BulkMonths         int
	Caution, Note      string
	Cautions           []MasterCaution
	Portions           []MasterPortion
	Steps              []MasterStep
	Controls           []Control
}

// MasterPortion is one portion; Basis is share (% of the batch), weight (g) or inner.
type MasterPortion struct {
	Name, Basis string
	Amount      decimal.Decimal
	Lines       []MasterLine
}

// MasterLine is one ingredient; Basis is share (% of its portion) or weight (g).
type MasterLine struct {
	Name, Code, Kind, Basis string
	Amount                  decimal.Decimal
	AsNeeded                bool
	Low, High               decimal.Decimal
	MaxPct                  decimal.NullDecimal
}

// MasterCaution is the caution of a material that goes in, as it stands in the book when the record is read: it belongs
// to the material and not to the version.
type MasterCaution struct{ Name, Text string }

// MasterStep is a step of the method; Portion is the one after whose lines it comes, empty for after all.
type MasterStep struct{ Portion, Text, Caution string }

// Line is one line of the formula scaled to the batch.
type Line struct {
	Portion, Name     string
	PlannedG, TargetG decimal.Decimal
	AsNeeded          bool
	LowG, HighG       decimal.NullDecimal
	Inputs            []Input
}

// Input is one thing that went in.
type Input struct {
	Entry
	Name, Material string
	Lot            string // code, empty where it came from none
	Batch          string // code of the batch or packing drawn on
	Untracked      bool
	Inner          bool // itself a portion of this batch
	From           string
	Quantity       decimal.Decimal
	Unit           string
	WeighedG       decimal.NullDecimal
	Happened       time.Time
	Late           bool
	Scale          string
}

// Lot is a lot in the batch or around its units.
type Lot struct {
	Code, Material, Name, Kind          string
	SupplierCode, Supplier, SupplierLot string
	Received, Expires, Retest           day.Day
	Status                              string
	Recalled                            bool
	DeliveryNote                        string
	Tub                                 string   // what the maker calls it, for a lot that stands in a tub filled from others
	Papers                              []string // what is kept with it, in words
	Into                                []string // tubs among these lots that it was filled into
}

// SourceBatch is a batch that this one drew on.
type SourceBatch struct {
	Code, Name, Status string
	MadeOn, BestBefore day.Day
}

// Step is a step of the method as it was done.
type Step struct {
	Portion, Text string
	Ticks         []Tick
}

// Tick is a step done; Gone for a mis-tap.
type Tick struct {
	Entry
	Done time.Time
	Note string
}

// Equipment is a scale, vessel or other thing that the batch, or one of its packings, used.
type Equipment struct {
	Entry
	Code, Name, Kind, Place, Packing string
	Readability                      decimal.NullDecimal // g, of a scale
	MinLoad                          decimal.NullDecimal
	WasClean                         *bool
	Note                             string
	Used                             time.Time
	Cleaned, Checked, Kept           *LogEntry // the last before it was used: cleaning, check, maintenance
	CheckDays                        int       // a check is due so many days after the last; 0 for none kept
}

// LogEntry is a line of the workshop's log.
type LogEntry struct {
	At     time.Time
	Result string // fine, attention or failed
	Words  string
	By     string
	Next   day.Day
}

// Air is a reading of the room.
type Air struct {
	Entry
	Stage  string // making or cure
	C, Pct decimal.Decimal
	Taken  time.Time
	Source string // typed, logger or history
}

// Control is an in-process control with its limits and readings.
type Control struct {
	Name, Stage, Unit string
	Low, High         decimal.NullDecimal
	Asked             int
	Readings          []Reading
}

// Reading is one reading; Packing is set for those at packing.
type Reading struct {
	Entry
	Packing string
	Value   decimal.Decimal
	Taken   time.Time
}

// Reject is units that did not pass.
type Reject struct {
	Entry
	Packing, Stage, Reason string
	Units                  int
	MassG                  decimal.NullDecimal
}

// Yield is what came out against what went in.
type Yield struct {
	WeighedG    decimal.Decimal
	FillG       decimal.Decimal // zero where nothing says it
	Theoretical decimal.Decimal
	Countable   bool                // what was moulded are the units that were packed
	ByMass      bool                // several sizes: Percent is of the mass of good units, not of their number
	Percent     decimal.NullDecimal // good of theoretical
	Counts      yield.Counts
	Balance     yield.Balance
	Stages      []yield.StageLine
	Unknown     string // why there is no balance
	Note        string
	LeftOverG   decimal.NullDecimal
	LossG       decimal.NullDecimal // measured
}

// StageMass is units weighed together at a stage.
type StageMass struct {
	Entry
	Stage string
	Units int
	Grams decimal.Decimal
}

// Packing is units of one product packed on one day.
type Packing struct {
	Entry
	Code, ProductCode, Product string
	PackedOn                   day.Day
	PackedAt                   time.Time
	Good, Retained             int
	BestBefore                 day.Day
	OpenedMonths               int
	Reason, Printed, Status    string
	Late, Cleared, Checked     bool
	Specimen                   string
	LabelsIssued, LabelsUsed   *int
	LabelsSpoiled              *int
	LabelsReturned             *int
	PackagingNote              string
	Packaging                  []Packaging
	Ledger                     Ledger
}

// Packaging is packaging taken from a lot.
type Packaging struct {
	Entry
	Name, Lot, Unit  string
	Quantity         decimal.Decimal // used and spoiled
	Spoiled          decimal.Decimal
	Issued, Returned decimal.NullDecimal
}

// Ledger is where the units of a packing went, by kind of customer: no names, no addresses.
type Ledger struct {
	Sent               []Sent
	Moves              []Move
	Destroyed, Back    int // of those returned
	Used, OnHand, Held int
}

// Sent is units sent to one kind of customer.
type Sent struct {
	Kind             string // stockist, online, event, direct
	Units, Customers int
}

// Move is units that left or came without a dispatch, signed, summed by reason.
type Move struct {
	Reason string
	Units  int
}

// OnUnits is another code on units of a packing.
type OnUnits struct {
	Entry
	Code, Packing, Kind, Reason string
	Units                       int // 0 where nobody knows
	Noted                       day.Day
}

// Sample is units kept back, with what was found when they were looked at.
type Sample struct {
	Entry
	Packing, Place, Note string
	Units                int
	Taken, Until, Ended  day.Day
	EndedNote            string
	Inspections          []Inspection
}

// Inspection is a sample inspected.
type Inspection struct {
	Entry
	On            day.Day
	Result, Words string // as_made, changed or spoiled
	Used          int
}

// Deviation is anything outside its limits or unlike the formula.
type Deviation struct {
	N              int
	About          string // code of the packing or lot where it is not the batch
	What, Reason   string
	Raised         Made
	Decision, Note string // accept, reject or empty
	Decided        Made
	Withdrawn      bool
}

// Change is a value of the batch or of a packing that was corrected in its place.
type Change struct {
	What, Was, Now, Why string
	Made
}

// Rework is leave to draw rejected or left-over product into a later batch.
type Rework struct {
	What, Into, Reason string          // what is rejects or left_over; Into the formula
	Grams, DrawnG      decimal.Decimal // leave for, and drawn under it so far
	Signature          Signature
	Withdrawn          bool
}

// Release is the decision over a packing or bulk, with the conditions that the signer saw, or as they stand now where
// nobody has signed.
type Release struct {
	Code       string
	Status     string
	Conditions []release.Condition // as they stand now
	Signatures []Signature
}

// Signature is a signed decision.
type Signature struct {
	Name, Meaning, LocalTime, Hash string
	Seen                           []release.Condition
	Broken                         bool // the record is no longer what was signed
	Told                           bool // it came in with an import
}

// when is the signer's own time, and whether a file alone says so.
func (s Signature) when() string {
	if s.Told {
		return s.LocalTime + ", as an import told"
	}
	return s.LocalTime
}

// Paper is a paper kept with the batch.
type Paper struct {
	Name, Kind, SHA256 string
	Size               int
}
