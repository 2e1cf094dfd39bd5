package record_test

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/yield"
)

var began = time.Date(2026, 3, 14, 9, 30, 0, 0, time.UTC)

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func some(text string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(text)) }

func made(id string) record.Entry {
	return record.Entry{ID: id, Made: record.Made{By: "Ada Quill", At: began}}
}

// balm is a batch of the invented Quillmoor Workshop in making, with one weighing corrected.
func balm() record.Source {
	old := made("1")
	old.Gone = &record.Gone{Now: "2", Why: "misread", Made: record.Made{By: "Ned Fenwick", At: began.Add(time.Minute)}}
	lost := made("3")
	lost.Gone = &record.Gone{Why: "mis-tap", Made: record.Made{By: "Ada Quill", At: began.Add(time.Hour)}}
	return record.Source{
		Workshop: "Quillmoor Workshop", Zone: time.UTC, Now: began.Add(48 * time.Hour), By: "Ada Quill", ChainN: 77, ChainSum: strings.Repeat("ab", 32),
		Code: "OB-26073-01S", Origin: "bench", Status: "making", FormulaCode: "OB", FormulaName: "Oat balm", MadeAt: began, MadeOn: day.Must("2026-03-14"), MadeBy: "Ada Quill",
		Master: &record.Master{Version: 3, ApprovedBy: "Ada Quill", ApprovedAt: began, Approved: "aa", Computed: "aa", NominalG: dec("1000"), TolerancePct: dec("1"), MinC: some("15"), MaxC: some("30"),
			Portions: []record.MasterPortion{{Name: "Melt", Basis: "share", Amount: dec("100"), Lines: []record.MasterLine{{Name: "Beeswax", Code: "BW", Basis: "share", Amount: dec("24")}}}},
			Steps:    []record.MasterStep{{Text: "Melt to 70 °C"}}, Controls: []record.Control{{Name: "pH", Stage: "making", Asked: 1}}},
		Lots:  []record.Lot{{Code: "BW-1", Material: "BW", Name: "Beeswax", Supplier: "Fenmarch Wax", SupplierLot: "7731-B", Status: "released", Received: day.Must("2026-01-05")}},
		Steps: []record.Step{{Text: "Melt to 70 °C", Ticks: []record.Tick{{Entry: lost, Done: began}}}},
		Lines: []record.Line{{Portion: "Melt", Name: "Beeswax", PlannedG: dec("240"), TargetG: dec("240"), Inputs: []record.Input{
			{Entry: old, Name: "Beeswax", Material: "BW", Lot: "BW-1", Quantity: dec("204.5"), Unit: "g", WeighedG: some("204.5"), Happened: began},
			{Entry: made("2"), Name: "Beeswax", Material: "BW", Lot: "BW-1", Quantity: dec("240.6"), Unit: "g", WeighedG: some("240.6"), Happened: began, Scale: "S1 Bench scale"},
		}}},
		Yield: record.Yield{WeighedG: dec("240.6")},
	}
}

func text(s record.Section) string {
	var b strings.Builder
	b.WriteString(s.Absent)
	for _, block := range s.Blocks {
		switch block := block.(type) {
		case record.Facts:
			b.WriteString("\n" + block.Title)
			for _, f := range block.List {
				b.WriteString("\n" + f.Term + ": " + f.Value.Text())
			}
		case record.Table:
			for _, row := range block.Rows {
				b.WriteString("\n")
				for _, cell := range row {
					b.WriteString(cell.Text() + " | ")
				}
			}
		case record.Text:
			b.WriteString("\n" + record.Cell(block).Text())
		}
	}
	return b.String()
}

func TestACorrectedWeighingStandsStruckThroughBesideWhatReplacedIt(t *testing.T) {
	t.Parallel()
	d := record.Build(balm())
	want := "\nWeighing of Beeswax | 204.5 g of BW-1 | 240.6 g of BW-1 | misread | Ned Fenwick, 14 Mar 2026, 09:31 | " +
		"\nStep “Melt to 70 °C” | done 14 Mar 2026, 09:30 | taken back | mis-tap | Ada Quill, 14 Mar 2026, 10:30 | "
	if diff := cmp.Diff(want, text(d.Section(record.KeyCorrections))); diff != "" {
		t.Errorf("corrections (-want +got):\n%s", diff)
	}
	table := d.Section(record.KeyComponents).Blocks[0].(record.Table)
	var struck, stands []string
	for _, row := range table.Rows {
		for _, s := range slices.Concat(row...) {
			if s.Look == record.Old {
				struck = append(struck, s.Text)
			} else if strings.HasSuffix(s.Text, " g") {
				stands = append(stands, s.Text)
			}
		}
	}
	if diff := cmp.Diff([]string{"BW-1", "204.5 g"}, struck); diff != "" {
		t.Errorf("struck through (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"240 g", "240.6 g"}, stands); diff != "" {
		t.Errorf("target and weighed (-want +got):\n%s", diff)
	}
	for _, want := range []string{"+0.6 g", "+0.25 %", "Fenmarch Wax, lot 7731-B", "on S1 Bench scale"} {
		if !strings.Contains(text(d.Section(record.KeyComponents)), want) {
			t.Errorf("components do not say %q:\n%s", want, text(d.Section(record.KeyComponents)))
		}
	}
}

func TestAPartThatDoesNotApplySaysWhyInOneLine(t *testing.T) {
	t.Parallel()
	bulk := balm()
	bulk.Bulk = true
	older := record.Source{Origin: "history", Code: "X1", Zone: time.UTC}
	set := record.Source{Origin: "bench", Set: true, Code: "X2", Zone: time.UTC}
	due := balm()
	due.Cure = record.Cure{Word: "dry", Hours: 48}
	for _, tt := range []struct {
		name, key, want string
		source          record.Source
	}{
		{"no cure is asked for", record.KeyCure, "No cure: the formula asks for none.", balm()},
		{"a cure that has not begun", record.KeyCure, "No drying has begun. The formula asks for at least 48 hours.", due},
		{"nothing packed", record.KeyPackings, "Nothing has been packed of it.", balm()},
		{"bulk is not packed", record.KeyLabels, "Not packed: other batches draw on it as bulk.", bulk},
		{"no additions", record.KeyAdditions, "None: nothing went in that the formula does not have.", balm()},
		{"no other batch in it", record.KeySources, "None: no other batch went into it.", balm()},
		{"an older book", record.KeyFormula, "No formula: the batch was brought in from an older book that had none.", older},
		{"an older book names nobody", record.KeyPeople, "The older book that it comes from names nobody.", older},
		{"a set", record.KeyFormula, "No formula: it was put together from units of other batches.", set},
		{"no corrections", record.KeyCorrections, "None: every entry stands as it was first written.", older},
		{"no reading of the room", record.KeyRoom, "Temperature and humidity at making are not recorded.", balm()},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			s := record.Build(tt.source).Section(tt.key)
			if s.Absent != tt.want || len(s.Blocks) != 0 {
				t.Errorf("%s: %q with %d blocks, want %q and none", tt.key, s.Absent, len(s.Blocks), tt.want)
			}
		})
	}
}

func TestEverySectionIsThereAndSaysSomethingWhateverTheBatch(t *testing.T) {
	t.Parallel()
	for name, source := range map[string]record.Source{"in making": balm(), "nothing known at all": {}, "from an older book": {Origin: "history"}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := record.Build(source)
			if len(d.Sections) != 25 {
				t.Errorf("%d sections, want 25", len(d.Sections))
			}
			for _, s := range d.Sections {
				if (s.Absent == "") == (len(s.Blocks) == 0) || len(s.Clauses) == 0 || s.Title == "" {
					t.Errorf("%s: absent %q, %d blocks, clauses %v", s.Key, s.Absent, len(s.Blocks), s.Clauses)
				}
				for _, b := range s.Blocks {
					if table, is := b.(record.Table); is {
						for _, row := range table.Rows {
							if len(row) != len(table.Columns) {
								t.Errorf("%s: a row of %d cells under %d columns", s.Key, len(row), len(table.Columns))
							}
						}
					}
				}
			}
		})
	}
}

func TestARecordThatIsNotWhatWasSignedSaysSo(t *testing.T) {
	t.Parallel()
	s := balm()
	s.Packings = []record.Packing{{Code: "OB-26073-01S", Status: "released"}}
	s.Releases = []record.Release{{Code: "OB-26073-01S", Status: "released", Signatures: []record.Signature{
		{Name: "Ada Quill", Meaning: "released", LocalTime: "2026-03-16 10:00:00 +0000 UTC", Hash: "cafe", Seen: []release.Condition{{Name: "Cure", State: release.OK, Words: "Cure ran 48 h"}}, Broken: true}}}}
	s.Master.Computed = "bb"
	d := record.Build(s)
	if got := text(d.Section(record.KeyRelease)); !strings.Contains(got, "Still what was signed: NO") || !strings.Contains(got, "Cure | met | Cure ran 48 h") || !strings.Contains(got, "cafe") {
		t.Errorf("release says:\n%s", got)
	}
	if got := text(d.Section(record.KeyFormula)); !strings.Contains(got, "Printed here as approved: NO: its content now gives bb") {
		t.Errorf("formula says:\n%s", got)
	}
}

func TestYieldIsGivenByPhaseInPercentOfTheTheoretical(t *testing.T) {
	t.Parallel()
	s, ten := balm(), 10
	s.Moulded = record.Moulded{At: began, Units: &ten}
	s.Cure = record.Cure{Word: "cure", Hours: 48, Start: began, End: began.Add(49 * time.Hour)}
	s.Rejects = []record.Reject{{Entry: made("r1"), Stage: "cut", Reason: "crumbled", Units: 1}, {Entry: made("r2"), Stage: "cure_end", Reason: "ash", Units: 2}}
	s.Packings = []record.Packing{{Entry: made("p"), Code: "OB-26073-01S", Good: 6, Retained: 1}}
	s.Yield = record.Yield{WeighedG: dec("1000"), FillG: dec("100"), Theoretical: dec("10"), Countable: true, Percent: some("60"), Counts: yield.Counts{Made: 10, Good: 6, Rejected: 3, Retained: 1}}
	got := text(record.Build(s).Section(record.KeyYield))
	for _, want := range []string{"Theoretical yield: 10.0 units", "Moulded | 10 | 100 % | 0", "After cutting | 9 | 90 % | 1", "After the cure | 7 | 70 % | 2", "Packed, for sale and kept back | 7 | 70 % | 0", "Good units | 6 | 60 % | 0", "Good: 60 % of the theoretical number of units"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}

func TestUnitsOfSeveralSizesAreHeldAgainstTheMassAndNotTheNumber(t *testing.T) {
	t.Parallel()
	s, loaf := balm(), 1
	s.Moulded = record.Moulded{At: began, Units: &loaf}
	s.Packings = []record.Packing{{Entry: made("p"), Code: "OB-26073-01S", Good: 24}, {Entry: made("q"), Code: "OB-26073-01AQ", Good: 8}}
	s.Yield = record.Yield{WeighedG: dec("3656"), FillG: dec("112"), Theoretical: dec("32"), ByMass: true, Percent: some("92.31"), Counts: yield.Counts{Made: 1, Good: 32}}
	got := text(record.Build(s).Section(record.KeyYield))
	for _, want := range []string{"Good: 92.3 % of the theoretical mass, since it was packed in several sizes", "Moulded | 1 | by mass only", "Good units | 32 | by mass only"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}

func TestFiguresFollowTheWorkshopsStyle(t *testing.T) {
	t.Parallel()
	s := balm()
	s.Style = measure.Style{Mass: "oz", Temperature: "F", Date: "mdy"}
	s.Master.Steps[0].Text, s.Steps[0].Text = "Melt", "Melt" // what a maker wrote stays as it was written
	s.Air = []record.Air{{Entry: made("a"), Stage: "making", C: dec("20"), Pct: dec("45"), Taken: began, Source: "typed"}}
	d := record.Build(s)
	for key, want := range map[string]string{
		record.KeyComponents: "8.487 oz", // 240.6 g ÷ 28.349523125 g
		record.KeyRoom:       "68 °F",
		record.KeyFormula:    "Room at making: 59 °F to 86 °F",
		record.KeyBatch:      "Ada Quill, Mar 14, 2026, 09:30",
	} {
		if got := text(d.Section(key)); !strings.Contains(got, want) {
			t.Errorf("%s: no %q in\n%s", key, want, got)
		}
	}
	for _, section := range d.Sections {
		if got := text(section); strings.Contains(got, " g ") || strings.Contains(got, "°C ") {
			t.Errorf("%s still speaks in g or °C:\n%s", section.Key, got)
		}
	}
}

// TestEachClauseNamesASectionThatNamesItBack holds the list of clauses and the sections to each other.
func TestEachClauseNamesASectionThatNamesItBack(t *testing.T) {
	t.Parallel()
	d := record.Build(balm())
	listed := map[string]bool{}
	file, err := os.ReadFile("../../testdata/batch_record_clauses.txt")
	if err != nil {
		t.Fatal(err)
	}
	clauses := 0
	for n, line := range strings.Split(strings.TrimSpace(string(file)), "\n") {
		if strings.HasPrefix(line, "#") {
			continue
		}
		part := strings.Split(line, "\t")
		if len(part) == 5 && part[3] == "-" && part[4] != "" {
			clauses++
			continue
		}
		if len(part) != 4 {
			t.Errorf("line %d has %d columns: %q", n+1, len(part), line)
			continue
		}
		clauses++
		clause := part[0] + part[1]
		if strings.HasPrefix(part[0], "ISO") {
			clause = part[0] + " §" + part[1]
		}
		if s := d.Section(part[3]); !slices.Contains(s.Clauses, clause) {
			t.Errorf("line %d: section %q does not name %s: %v", n+1, part[3], clause, s.Clauses)
		}
		listed[part[3]+" "+clause] = true
	}
	if clauses < 50 {
		t.Errorf("only %d clauses were read", clauses)
	}
	for _, s := range d.Sections {
		for _, c := range s.Clauses {
			if !listed[s.Key+" "+c] {
				t.Errorf("section %s names %s, and the list does not say so", s.Key, c)
			}
		}
	}
}
