package compare_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/compare"
)

func d(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func some(text string) decimal.NullDecimal { return decimal.NewNullDecimal(d(text)) }

func line(code, pct string) compare.Line {
	return compare.Line{Kind: "material", Code: code, Name: code, Basis: "share", Amount: d(pct), Pct: some(pct)}
}

func portion(name, pct string, lines ...compare.Line) compare.Portion {
	return compare.Portion{Name: name, Basis: "share", Pct: some(pct), Lines: lines}
}

func inner(name, pct string) compare.Line {
	return compare.Line{Kind: "portion", Code: name, Name: name, Basis: "share", Amount: d(pct), Pct: some(pct)}
}

func version(portions ...compare.Portion) compare.Version {
	return compare.Version{NominalG: d("1000"), Portions: portions}
}

// told writes what became of portions and lines: "Base same: OO changed -5, CB added 5".
func told(diff compare.VersionDiff) []string {
	var out []string
	for _, p := range diff.Portions {
		var parts []string
		for _, l := range p.Lines {
			words := l.Either().Code + " " + string(l.Kind)
			if pts := compare.Points(l); pts.Valid && !pts.Decimal.IsZero() {
				words += " " + pts.Decimal.String()
			}
			parts = append(parts, words)
		}
		name := p.Either().Name
		if p.Renamed {
			name = p.A.Name + " now " + name
		}
		out = append(out, name+" "+string(p.Kind)+": "+strings.Join(parts, ", "))
	}
	return out
}

func TestLinesAreKnownByWhatGoesInWhereverTheyStand(t *testing.T) {
	t.Parallel()
	asNeeded := compare.Line{Kind: "material", Code: "WA", Basis: "share", AsNeeded: true, LowPct: d("0"), HighPct: d("2")}
	more := asNeeded
	more.HighPct = d("3")
	limited := line("OO", "70")
	limited.MaxPct = some("80")
	byWeight := line("OO", "70")
	byWeight.Basis, byWeight.Amount = "weight", d("700")
	unknown, unknownMore := line("OO", "70"), line("OO", "75")
	unknown.Pct, unknownMore.Pct = decimal.NullDecimal{}, decimal.NullDecimal{}
	for name, tc := range map[string]struct {
		a, b compare.Version
		want []string
	}{
		"nothing":          {version(portion("Base", "100", line("OO", "70"))), version(portion("Base", "100", line("OO", "70"))), []string{"Base same: OO same"}},
		"another order":    {version(portion("Base", "100", line("OO", "70"), line("CB", "30"))), version(portion("Base", "100", line("CB", "30"), line("OO", "70"))), []string{"Base same: CB same, OO same"}},
		"more and less":    {version(portion("Base", "100", line("OO", "70"), line("CB", "30"))), version(portion("Base", "100", line("OO", "65"), line("CB", "35"))), []string{"Base same: OO changed -5, CB changed 5"}},
		"one for another":  {version(portion("Base", "100", line("OO", "70"), line("CB", "30"))), version(portion("Base", "100", line("OO", "70"), line("SH", "30"))), []string{"Base same: OO same, CB removed -30, SH added 30"}},
		"the first goes":   {version(portion("Base", "100", line("CB", "30"), line("OO", "70"))), version(portion("Base", "100", line("OO", "100"))), []string{"Base same: CB removed -30, OO changed 30"}},
		"twice, by order":  {version(portion("Base", "100", line("OO", "60"), line("CB", "30"), line("OO", "10"))), version(portion("Base", "100", line("OO", "60"), line("OO", "8"), line("CB", "32"))), []string{"Base same: OO same, OO changed -2, CB changed 2"}},
		"as needed":        {version(portion("Base", "100", asNeeded)), version(portion("Base", "100", more)), []string{"Base same: WA changed"}},
		"a limit":          {version(portion("Base", "100", line("OO", "70"))), version(portion("Base", "100", limited)), []string{"Base same: OO changed"}},
		"written as g":     {version(portion("Base", "100", line("OO", "70"))), version(portion("Base", "100", byWeight)), []string{"Base same: OO changed"}},
		"unfinished draft": {version(portion("Base", "100", unknown)), version(portion("Base", "100", unknownMore)), []string{"Base same: OO changed"}},
		"division's noise": {version(portion("Base", "100", line("OO", "33.33333333"))), version(portion("Base", "100", line("OO", "33.33333330"))), []string{"Base same: OO same"}},
		"a portion comes":  {version(portion("Base", "100", line("OO", "100"))), version(portion("Base", "90", line("OO", "90")), portion("Blue", "10", line("UM", "10"))), []string{"Base changed: OO changed -10", "Blue added: UM added 10"}},
		"a portion goes":   {version(portion("Blue", "10", line("UM", "10")), portion("Base", "90", line("OO", "90"))), version(portion("Base", "100", line("OO", "100"))), []string{"Blue removed: UM removed -10", "Base changed: OO changed 10"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, told(compare.Versions(tc.a, tc.b))); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestARenamedPortionIsKnownByWhatGoesInWhereNoOtherCanBeMeant(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		a, b compare.Version
		want []string
	}{
		"another case is no other name": {version(portion("base", "100", line("OO", "100"))), version(portion("Base", "100", line("OO", "100"))), []string{"Base same: OO same"}},
		"renamed":                       {version(portion("Base", "100", line("OO", "70"), line("CB", "30"))), version(portion("Warm oils", "100", line("CB", "35"), line("OO", "65"))), []string{"Base now Warm oils same: CB changed 5, OO changed -5"}},
		"two colours, by their amounts": {version(portion("Blue", "50", line("UM", "1")), portion("Pale", "50", line("UM", "2"))), version(portion("Sky", "50", line("UM", "2")), portion("Night", "50", line("UM", "1"))),
			[]string{"Pale now Sky same: UM same", "Blue now Night same: UM same"}},
		"two colours, not to be told":     {version(portion("Blue", "50", line("UM", "1")), portion("Pale", "50", line("UM", "1"))), version(portion("Sky", "100", line("UM", "1"))), []string{"Blue removed: UM removed -1", "Pale removed: UM removed -1", "Sky added: UM added 1"}},
		"another content is another":      {version(portion("Base", "100", line("OO", "100"))), version(portion("Warm", "100", line("CB", "100"))), []string{"Base removed: OO removed -100", "Warm added: CB added 100"}},
		"empty ones are not alike":        {version(portion("Base", "100")), version(portion("Warm", "100")), []string{"Base removed: ", "Warm added: "}},
		"where it is used, it is renamed": {version(portion("Oils", "0", line("OO", "50")), portion("Melt", "100", inner("Oils", "50"), line("BW", "50"))), version(portion("Warm oils", "0", line("OO", "50")), portion("Melt", "100", inner("Warm oils", "50"), line("BW", "50"))), []string{"Oils now Warm oils same: OO same", "Melt same: Warm oils same, BW same"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, told(compare.Versions(tc.a, tc.b))); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestStepsKeepTheirOrder(t *testing.T) {
	t.Parallel()
	steps := func(texts ...string) compare.Version {
		var v compare.Version
		for _, text := range texts {
			v.Steps = append(v.Steps, compare.Step{Text: text})
		}
		return v
	}
	warned := steps("Melt to 70 °C")
	warned.Steps[0].Caution = "Hot wax burns."
	for name, tc := range map[string]struct {
		a, b compare.Version
		want []string
	}{
		"one comes between": {steps("Melt.", "Pour."), steps("Melt.", "Stir for two minutes.", "Pour."), []string{"same Melt.", "added Stir for two minutes.", "same Pour."}},
		"one goes":          {steps("Melt.", "Stir for two minutes.", "Pour."), steps("Melt.", "Pour."), []string{"same Melt.", "removed Stir for two minutes.", "same Pour."}},
		"words change":      {steps("Melt the wax to 70 °C", "Pour."), steps("Melt the wax to 65 °C", "Pour."), []string{"changed Melt the wax to 65 °C", "same Pour."}},
		"another step":      {steps("Melt the wax to 70 °C"), steps("Pour into tins"), []string{"removed Melt the wax to 70 °C", "added Pour into tins"}},
		"a caution":         {steps("Melt to 70 °C"), warned, []string{"changed Melt to 70 °C"}},
		"two swap":          {steps("Weigh.", "Melt."), steps("Melt.", "Weigh."), []string{"removed Weigh.", "same Melt.", "added Weigh."}},
		"none in either":    {steps(), steps(), nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var got []string
			for _, p := range compare.Versions(tc.a, tc.b).Steps {
				got = append(got, string(p.Kind)+" "+p.Either().Text)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestControlsAndParticularsArePairedByName(t *testing.T) {
	t.Parallel()
	a := compare.Version{Particulars: []compare.Field{{Name: "Cure", Value: "4 weeks"}, {Name: "Yields", Value: "units"}},
		Controls: []compare.Control{{Name: "pH", Stage: "making", High: some("10"), Readings: 1}, {Name: "pH", Stage: "cure_end", High: some("10"), Readings: 1}, {Name: "Fill", Stage: "packing", Readings: 3}}}
	b := compare.Version{Particulars: []compare.Field{{Name: "Cure", Value: "6 weeks"}, {Name: "Yields", Value: "units"}},
		Controls: []compare.Control{{Name: "PH", Stage: "cure_end", High: some("9.50"), Readings: 1}, {Name: "pH", Stage: "making", High: some("10.0"), Readings: 1}, {Name: "Fill", Stage: "moulding", Readings: 3}, {Name: "Colour", Stage: "packing", Readings: 1}}}
	diff := compare.Versions(a, b)
	var got []string
	for _, p := range diff.Particulars {
		got = append(got, string(p.Kind)+" "+p.A.Value+" "+p.B.Value)
	}
	for _, p := range diff.Controls {
		got = append(got, string(p.Kind)+" "+p.Either().Name+" "+p.Either().Stage)
	}
	want := []string{"changed 4 weeks 6 weeks", "same units units", "changed PH cure_end", "same pH making", "changed Fill moulding", "added Colour packing"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if diff.Same() || !compare.Versions(a, a).Same() {
		t.Error("a version is the same as itself and as no other")
	}
}

func TestMakingsAreHeldLineByLine(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC)
	weigh := func(portion, code, target, actual string, lots ...string) compare.Weighed {
		w := compare.Weighed{Portion: portion, Kind: "material", Code: code, TargetG: d(target), Lots: lots}
		if actual != "" {
			w.ActualG = some(actual)
		}
		return w
	}
	a := compare.Making{MadeAt: start, Lines: []compare.Weighed{weigh("Base", "OO", "700", "703.5", "OO-1"), weigh("Base", "CB", "300", "300", "CB-1"), weigh("Base", "SH", "10", "")},
		Steps:    []compare.Done{{Text: "Melt.", At: start.Add(30 * time.Minute)}, {Text: "Pour.", At: start.Add(20 * time.Minute)}, {Text: "Wrap."}},
		Controls: []compare.Measured{{Name: "pH", Stage: "making", High: some("7"), Values: []decimal.Decimal{d("6"), d("7.5")}}},
		Rejects:  []compare.Counted{{Name: "crack, at cutting", Units: 2}, {Name: "crack, at cutting", Units: 1}}, Packings: []compare.Counted{{Name: "Bar", Units: 20}}}
	b := compare.Making{MadeAt: start.Add(48 * time.Hour), Lines: []compare.Weighed{weigh("Warm oils", "CB", "300", "300", "CB-1"), weigh("Warm oils", "OO", "700", "699.3", "OO-1", "OO-2"), weigh("", "LV", "0", "5", "LV-1")},
		Steps: []compare.Done{{Text: "Melt.", At: start.Add(49 * time.Hour)}, {Text: "Pour.", At: start.Add(50 * time.Hour)}, {Text: "Wrap."}}}
	diff := compare.Makings(a, b)
	var got []string
	for _, p := range diff.Lines {
		words := string(p.Kind) + " " + p.Either().Code
		for _, w := range []*compare.Weighed{p.A, p.B} {
			if w != nil && w.OffPct().Valid {
				words += " " + w.OffPct().Decimal.String()
			}
		}
		got = append(got, words+" "+strings.Join(compare.SharedLots(p), ","))
	}
	for _, p := range diff.Steps {
		got = append(got, string(p.Kind)+" "+p.Either().Text+" "+p.A.Since.String()+" "+p.B.Since.String())
	}
	for _, p := range diff.Rejects {
		got = append(got, string(p.Kind)+" "+p.Either().Name)
	}
	want := []string{"same CB 0 0 CB-1", "removed SH ", "changed OO 0.5 -0.1 OO-1", "added LV ",
		"same Melt. 10m0s 1h0m0s", "same Pour. 20m0s 1h0m0s", "same Wrap. 0s 0s", "removed crack, at cutting"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if got := diff.Rejects[0].A.Units; got != 3 {
		t.Errorf("rejects of one reason are one: %d", got)
	}
	if m := diff.Controls[0].A; m.Mean().Decimal.String() != "6.75" || m.Outside() != 1 {
		t.Errorf("mean %s, %d outside", m.Mean().Decimal, m.Outside())
	}
}

// Whatever the two lists are, each thing of either stands in exactly one pair, and a list is the same as itself.
func TestEachLineStandsInOnePair(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		lines := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) compare.Line {
			return line(rapid.SampledFrom([]string{"OO", "CB", "SH", "BW"}).Draw(t, "code"), rapid.SampledFrom([]string{"10", "20", "30"}).Draw(t, "pct"))
		}), 0, 8)
		texts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) compare.Step {
			return compare.Step{Text: rapid.SampledFrom([]string{"Melt the wax", "Melt the butter", "Pour", "Wrap in paper"}).Draw(t, "text")}
		}), 0, 6)
		a, b := version(portion("Base", "100", lines.Draw(t, "a")...)), version(portion("Base", "100", lines.Draw(t, "b")...))
		a.Steps, b.Steps = texts.Draw(t, "steps of a"), texts.Draw(t, "steps of b")
		diff := compare.Versions(a, b)
		left, right := 0, 0
		for _, p := range diff.Portions[0].Lines {
			if p.A != nil {
				left++
			}
			if p.B != nil {
				right++
			}
			if p.A != nil && p.B != nil && p.A.Code != p.B.Code {
				t.Fatalf("%s beside %s", p.A.Code, p.B.Code)
			}
		}
		var first, second []string
		for _, p := range diff.Steps {
			if p.A != nil {
				first = append(first, p.A.Text)
			}
			if p.B != nil {
				second = append(second, p.B.Text)
			}
		}
		of := func(list []compare.Step) (out []string) {
			for _, s := range list {
				out = append(out, s.Text)
			}
			return out
		}
		if left != len(a.Portions[0].Lines) || right != len(b.Portions[0].Lines) {
			t.Fatalf("%d and %d lines in pairs", left, right)
		}
		if d := cmp.Diff(of(a.Steps), first) + cmp.Diff(of(b.Steps), second); d != "" {
			t.Fatal(d)
		}
		if !compare.Versions(a, a).Same() {
			t.Fatal("not the same as itself")
		}
	})
}
