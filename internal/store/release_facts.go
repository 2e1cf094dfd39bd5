package store

import (
	"sort"
	"time"

	"github.com/shopspring/decimal"
)

// What a release signs: the facts of the record as plain values. They are read again whenever a signature is shown;
// where they differ, the signature is broken. What goes on by itself after a release is not among them: status, stock,
// later packings of the same batch, decisions.

type signedBatch struct {
	Code     string          `json:"code"`
	Formula  string          `json:"formula"`
	Version  int             `json:"version"`
	MadeOn   string          `json:"made_on"`
	CureFrom string          `json:"cure_from"`
	CureTo   string          `json:"cure_to"`
	Inputs   []signedInput   `json:"inputs"`
	Steps    []signedEntry   `json:"steps"`
	Readings []signedReading `json:"readings"`
	Climate  []signedClimate `json:"climate"`
	// Left out where there is none, as in records signed before equipment was kept.
	Equipment []string `json:"equipment,omitempty"`
}

type signedInput struct {
	Lot      string          `json:"lot"`
	Batch    string          `json:"batch"`
	Material string          `json:"material"`
	Quantity decimal.Decimal `json:"quantity"`
	Unit     string          `json:"unit"`
	Packing  string          `json:"packing,omitempty"`
}

type signedEntry struct {
	Text string `json:"text"`
	At   string `json:"at"`
}

type signedReading struct {
	Control string          `json:"control"`
	Value   decimal.Decimal `json:"value"`
}

type signedClimate struct {
	Stage string          `json:"stage"`
	C     decimal.Decimal `json:"c"`
	Pct   decimal.Decimal `json:"pct"`
}

type signedBulk struct {
	Batch      signedBatch         `json:"batch"`
	BulkG      decimal.NullDecimal `json:"bulk_g"`
	BestBefore string              `json:"best_before"`
}

type signedPacking struct {
	Batch         signedBatch       `json:"batch"`
	Code          string            `json:"code"`
	Product       string            `json:"product"`
	PackedOn      string            `json:"packed_on"`
	Good          int               `json:"units_good"`
	Retained      int               `json:"units_retained"`
	BestBefore    string            `json:"best_before"`
	Printed       string            `json:"printed"`
	Cleared       bool              `json:"cleared"`
	LabelChecked  bool              `json:"label_checked"`
	LabelSpecimen string            `json:"label_specimen"`
	LabelsUsed    *int              `json:"labels_used"`
	Packaging     []signedPackaging `json:"packaging"`
	Readings      []signedReading   `json:"readings"`
	Rejects       []signedReject    `json:"rejects"`
	// What came later is left out where it is not there: signatures from before it still fit.
	LabelsIssued   *int          `json:"labels_issued,omitempty"`
	LabelsSpoiled  *int          `json:"labels_spoiled,omitempty"`
	LabelsReturned *int          `json:"labels_returned,omitempty"`
	PackagingNote  string        `json:"packaging_note,omitempty"`
	Stages         []signedStage `json:"stages,omitempty"`
}

type signedStage struct {
	Stage string          `json:"stage"`
	Units int             `json:"units"`
	Grams decimal.Decimal `json:"grams"`
}

type signedPackaging struct {
	Lot      string           `json:"lot"`
	Quantity decimal.Decimal  `json:"quantity"`
	Spoiled  decimal.Decimal  `json:"spoiled"`
	Issued   *decimal.Decimal `json:"issued,omitempty"`
	Returned *decimal.Decimal `json:"returned,omitempty"`
}

type signedReject struct {
	Stage  string `json:"stage"`
	Reason string `json:"reason"`
	Units  int    `json:"units"`
}

func instant(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano)
}

func batchFacts(b BatchRecord) signedBatch {
	s := signedBatch{Code: b.Code, Formula: b.FormulaCode, Version: b.VersionNumber, MadeOn: b.MadeOn.String(), CureFrom: instant(b.CureStartedAt), CureTo: instant(b.CureEndedAt),
		Inputs: []signedInput{}, Steps: []signedEntry{}, Readings: []signedReading{}, Climate: []signedClimate{}}
	for _, in := range b.Inputs() {
		s.Inputs = append(s.Inputs, signedInput{in.Lot, in.SourceBatch, in.Material, in.Quantity, in.Unit, in.SourcePacking})
	}
	for _, step := range b.Steps {
		if step.Tick != nil {
			s.Steps = append(s.Steps, signedEntry{step.Text, instant(&step.Tick.At)})
		}
	}
	for _, c := range b.Controls {
		if c.Stage == "packing" {
			continue
		}
		for _, r := range c.Current() {
			s.Readings = append(s.Readings, signedReading{c.Name, r.Value})
		}
	}
	for _, c := range b.Climate {
		if !c.Replaced {
			s.Climate = append(s.Climate, signedClimate{c.Stage, c.TemperatureC, c.HumidityPct})
		}
	}
	return s
}

func bulkFacts(b BatchRecord) signedBulk {
	facts := batchFacts(b)
	facts.Equipment = equipmentFacts(b, "", nil)
	return signedBulk{Batch: facts, BulkG: b.BulkG, BestBefore: b.BestBefore.String()}
}

// facts of a packing as they were known at an instant: units weighed at a stage since then are not among them.
func (r PackingRecord) facts(at time.Time) signedPacking {
	s := signedPacking{Batch: batchFacts(r.Batch), Code: r.Code, Product: r.ProductCode, PackedOn: r.PackedOn.String(), Good: r.UnitsGood, Retained: r.UnitsRetained, BestBefore: r.BestBefore.String(),
		Printed: r.Printed, Cleared: r.Cleared, LabelChecked: r.LabelChecked, LabelSpecimen: r.LabelSpecimen, LabelsUsed: r.LabelsUsed,
		Packaging: []signedPackaging{}, Readings: []signedReading{}, Rejects: []signedReject{},
		LabelsIssued: r.LabelsIssued, LabelsSpoiled: r.LabelsSpoiled, LabelsReturned: r.LabelsReturned, PackagingNote: r.PackagingNote}
	s.Batch.Equipment = equipmentFacts(r.Batch, r.Code, r.PackedAt)
	for _, l := range r.Packaging {
		if !l.Replaced {
			s.Packaging = append(s.Packaging, signedPackaging{l.Lot, l.Quantity, l.Spoiled, given(l.Issued), given(l.Returned)})
		}
	}
	// An entry that was taken back and made anew the same is the same fact: order by content, not by entry.
	sort.Slice(s.Packaging, func(i, j int) bool { return s.Packaging[i].Lot < s.Packaging[j].Lot })
	for _, m := range r.Batch.StageMasses {
		if !m.Replaced && !m.Recorded.At.After(at) {
			s.Stages = append(s.Stages, signedStage{m.Stage, m.Units, m.Grams})
		}
	}
	for _, c := range r.Runs {
		for _, v := range c.Current() {
			s.Readings = append(s.Readings, signedReading{c.Name, v.Value})
		}
	}
	for _, x := range r.Batch.Rejects {
		if !x.Replaced && x.Packing == r.Code {
			s.Rejects = append(s.Rejects, signedReject{x.Stage, x.Reason, x.Units})
		}
	}
	return s
}

// given is a figure, nil where there is none.
func given(d decimal.NullDecimal) *decimal.Decimal {
	if !d.Valid {
		return nil
	}
	return &d.Decimal
}
