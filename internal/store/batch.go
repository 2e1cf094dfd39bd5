package store

import (
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
)

// Batch is one making of one formula version.
type Batch struct {
	ID            BatchID
	Code          string
	Origin        string // bench or history
	FormulaCode   string
	FormulaName   string
	VersionID     *VersionID
	VersionNumber int
	ProductCode   string // the product that was planned, empty for bulk
	ProductName   string
	Yields        string // units or bulk, from the version; units for history
	Status        string // making, curing, packing, quarantined, released, rejected, void
	PlannedUnits  int
	PlannedG      decimal.NullDecimal
	MadeAt        time.Time
	MadeOn        day.Day
	MadeBy        string
	Late          bool
	Place         string
	MouldedAt     *time.Time
	MouldedUnits  *int
	MouldedG      decimal.NullDecimal
	CureStartedAt *time.Time
	CureEndedAt   *time.Time
	CureHours     int    // the formula's least
	CureWord      string // cure, dry or set
	PackedAt      *time.Time
	LeftOverG     decimal.NullDecimal
	LossG         decimal.NullDecimal
	YieldNote     string
	BestBefore    day.Day
	BulkG         decimal.NullDecimal
	BulkReleased  *time.Time
	Kind          string // set where it was put together from units, else empty
	// OnlyC and OnlyPct are the room at making where an older book has one of the two: else both are a reading.
	OnlyC, OnlyPct decimal.NullDecimal
	// Recalled is in a recall: its bulk may not be drawn, and what is packed of it is held at once.
	Recalled bool
}

// IsSet tells whether it was put together from units of other batches; then it has no formula.
func (b Batch) IsSet() bool { return b.Kind == "set" }

// Limits of the version in force, as they stand in the batch.
type BatchLimits struct {
	TolerancePct      decimal.Decimal
	ToleranceG        decimal.Decimal
	ExpectedLossPct   decimal.Decimal
	ReconciliationPct decimal.Decimal
	MinC, MaxC        decimal.NullDecimal
	MinPct, MaxPct    decimal.NullDecimal // humidity
	Caution           string
}

// Made is who entered something and when.
type Made struct {
	By string
	At time.Time
}

// BatchInput is what was weighed for a line, or an addition.
type BatchInput struct {
	ID          InputID
	LineID      *BatchLineID
	Name        string // of the material, or of the source batch's formula
	Material    string // code, empty for a source batch
	Lot         string // code
	SourceBatch string // code
	Scale       string // code of the scale it was weighed on; empty where none is noted
	SourceUnits bool   // good units of it, rather than g
	// SourcePacking and SourceProduct are the codes of the packing that units came from, and of its product.
	SourcePacking, SourceProduct string
	// Signed is who gave leave to work in rejected or left-over product, and when; empty where nobody did.
	Signed     string
	Untracked  bool
	Inner      bool
	Quantity   decimal.Decimal
	Unit       string
	WeighedG   decimal.NullDecimal
	HappenedAt *time.Time
	Late       bool
	Made
	Replaced bool
	// Reason why it was replaced, where it was.
	Reason string
}

// BatchLine is one line of the formula scaled to the batch, with what was weighed for it.
type BatchLine struct {
	ID          BatchLineID
	Position    int
	Portion     string
	Kind        string // material, portion, bulk
	Name        string
	Material    string // code
	Unit        string // of the material
	Tracked     bool
	SourceNote  string // for an untracked one: where it comes from
	Caution     string
	BulkFormula string // code
	PlannedG    decimal.Decimal
	TargetG     decimal.Decimal
	AsNeeded    bool
	LowG, HighG decimal.NullDecimal
	FinerScale  bool
	Inputs      []BatchInput // current and replaced ones, in order
}

// WeighedG is the sum of the current inputs.
func (l BatchLine) WeighedG() decimal.Decimal {
	sum := decimal.Zero
	for _, in := range l.Inputs {
		if !in.Replaced {
			sum = sum.Add(in.WeighedG.Decimal)
		}
	}
	return sum
}

// Done tells whether something stands recorded for the line.
func (l BatchLine) Done() bool {
	for _, in := range l.Inputs {
		if !in.Replaced {
			return true
		}
	}
	return false
}

// BatchStep is a step of the method and whether it was done.
type BatchStep struct {
	ID      StepID
	Portion string // the portion it belongs to, empty for after all
	Text    string
	Caution string
	Tick    *StepTick
	Undone  []StepTick // mis-taps
}

// StepTick is a step done.
type StepTick struct {
	ID   TickID
	Note string
	At   time.Time
	Made
}

// BatchControl is an in-process control with its readings.
type BatchControl struct {
	ID       ControlID
	Name     string
	Stage    string // making, moulding, cure_end, packing
	Unit     string
	Low      decimal.NullDecimal
	High     decimal.NullDecimal
	Asked    int // readings at least
	Readings []ControlReading
}

// ControlReading is one reading.
type ControlReading struct {
	ID       ReadingID
	Value    decimal.Decimal
	At       time.Time
	Replaced bool
	Made
}

// Current are the readings that stand.
func (c BatchControl) Current() []ControlReading {
	var out []ControlReading
	for _, r := range c.Readings {
		if !r.Replaced {
			out = append(out, r)
		}
	}
	return out
}

// ClimateNote is a reading of the room for a batch.
type ClimateNote struct {
	ID           ClimateID
	Stage        string // making, cure
	TemperatureC decimal.Decimal
	HumidityPct  decimal.Decimal
	TakenAt      time.Time
	Source       string // typed, logger, history
	Replaced     bool
	Made
}

// CureWeighing is the marked unit weighed again.
type CureWeighing struct {
	ID       CureWeighingID
	Grams    decimal.Decimal
	At       time.Time
	Replaced bool
	Made
}

// Reject is units that did not pass.
type Reject struct {
	ID       RejectID
	Packing  string // code, empty where it was before packing
	Stage    string // cut, cure_end, packing
	Reason   string
	Units    int
	MassG    decimal.NullDecimal
	Replaced bool
	Made
}

// Packing is units of one product packed from one batch on one day, with its ledger summed.
type Packing struct {
	ID            PackingID
	Code          string
	N             int
	BatchCode     string
	ProductID     ProductID
	ProductCode   string
	ProductName   string
	PackedOn      day.Day
	PackedAt      *time.Time
	UnitsGood     int
	UnitsRetained int
	BestBefore    day.Day
	Precision     string // day or month
	OpenedMonths  int
	DateReason    string
	Printed       string
	Status        string // quarantined, released, rejected
	Cleared       bool
	LabelChecked  bool
	LabelSpecimen string
	LabelsUsed    *int
	// Labels handed out, spoiled and put back, where they are no packaging material of the product with lots of its own.
	LabelsIssued   *int
	LabelsSpoiled  *int
	LabelsReturned *int
	PackagingNote  string // why packaging or labels do not add up
	Dispatched     int
	Returned       int
	Destroyed      int
	Used           int
	Moved          int
	OnHand         int
	Held           int
}

// Free is what may leave now, were the packing released.
func (p Packing) Free() int { return max(p.OnHand-p.Held, 0) }

// BatchRecord is a batch with everything that happened to it.
type BatchRecord struct {
	Batch
	Limits    BatchLimits
	Lines     []BatchLine
	Additions []BatchInput // not in the formula
	Steps     []BatchStep
	Controls  []BatchControl
	Climate   []ClimateNote
	Weighings []CureWeighing
	Rejects   []Reject
	// StageMasses are units weighed together at a stage, replaced ones too.
	StageMasses []StageMass
	Packings    []Packing
	Deviations  []Deviation
	Documents   []Document
	Equipment   []UsedEquipment // current and taken back, in order of use
	// Drawn is g of this batch that other batches drew.
	Drawn decimal.Decimal
	// FillG is the nominal fill of the planned product at making, not valid where none is planned or known.
	FillG decimal.NullDecimal
}

// Inputs are all current inputs from outside: lots, batches, untracked materials.
func (b BatchRecord) Inputs() []BatchInput {
	var out []BatchInput
	for _, l := range b.Lines {
		for _, in := range l.Inputs {
			if !in.Replaced && !in.Inner {
				out = append(out, in)
			}
		}
	}
	for _, in := range b.Additions {
		if !in.Replaced {
			out = append(out, in)
		}
	}
	return out
}

// WeighedG is the mass of everything that went in, in g; source units count with no mass here.
func (b BatchRecord) WeighedG() decimal.Decimal {
	sum := decimal.Zero
	for _, in := range b.Inputs() {
		sum = sum.Add(in.WeighedG.Decimal)
	}
	return sum
}
