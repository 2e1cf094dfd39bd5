package bench

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

var (
	noon  = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	tenth = numbers{places: 1}

	clockUTC = ui.Clock{Zone: time.UTC}
)

func g(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func maybe(text string) decimal.NullDecimal { return decimal.NewNullDecimal(g(text)) }

func madeAt(minutes int) store.Made {
	return store.Made{By: "Mara Thistle", At: noon.Add(time.Duration(minutes) * time.Minute)}
}

// in is a current input of so many grams.
func in(grams string) store.BatchInput {
	return store.BatchInput{ID: store.InputID(uuid.New()), WeighedG: maybe(grams), Made: madeAt(0)}
}

// balm is a batch of two portions with a step in the first, one step after all, and a control at each stage.
func balm() store.BatchRecord {
	return store.BatchRecord{
		Batch:  store.Batch{Code: "OB-26073-01X", Yields: "units", Status: "making", CureHours: 48, CureWord: "set"},
		Limits: store.BatchLimits{TolerancePct: g("1"), ToleranceG: g("0.5")},
		Lines: []store.BatchLine{
			{Portion: "Melt", Name: "Shea butter", TargetG: g("1200"), PlannedG: g("1200")},
			{Portion: "Melt", Name: "Beeswax", TargetG: g("400"), PlannedG: g("400")},
			{Portion: "Cool", Name: "Oat oil", TargetG: g("560"), PlannedG: g("560")},
			{Portion: "Cool", Name: "Water", AsNeeded: true, LowG: maybe("0"), HighG: maybe("20")},
		},
		Steps: []store.BatchStep{{Portion: "Melt", Text: "Melt to 70 °C"}, {Text: "Stir until it traces"}},
		Controls: []store.BatchControl{
			{Name: "pH", Stage: "making", Asked: 1}, {Name: "Unit weight", Stage: "moulding", Asked: 3, Low: maybe("50")},
			{Name: "Hardness", Stage: "cure_end", Asked: 1}, {Name: "Net weight", Stage: "packing", Asked: 10},
		},
	}
}

func ids(list []task) []string {
	var out []string
	for _, t := range list {
		out = append(out, t.ID)
	}
	return out
}

func of(t *testing.T, list []task, id string) task {
	t.Helper()
	found, _, ok := taskByID(list, id)
	if !ok {
		t.Fatalf("no task %q in %v", id, ids(list))
	}
	return found
}

func TestTasksComeInTheOrderOfTheHand(t *testing.T) {
	t.Parallel()
	bulk := balm()
	bulk.Yields = "bulk"
	uncured := balm()
	uncured.CureHours = 0
	cases := map[string]struct {
		batch store.BatchRecord
		want  []string
	}{
		"units that cure": {balm(), []string{"room", "line-1", "line-2", "step-1", "line-3", "line-4", "step-2", "control-1", "control-2", "mould", "cure", "control-3", "cure-end", "pack"}},
		"bulk":            {bulk, []string{"room", "line-1", "line-2", "step-1", "line-3", "line-4", "step-2", "control-1", "control-2", "mould", "control-3", "bulk"}},
		"without a cure":  {uncured, []string{"room", "line-1", "line-2", "step-1", "line-3", "line-4", "step-2", "control-1", "control-2", "mould", "control-3", "pack"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(c.want, ids(tasksOf(c.batch, noon, tenth))); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestALineSaysWhereItStands(t *testing.T) {
	t.Parallel()
	line := store.BatchLine{Portion: "Melt", Name: "Beeswax", TargetG: g("400"), PlannedG: g("400")}
	needed := store.BatchLine{Portion: "Melt", Name: "Oil", AsNeeded: true, LowG: maybe("5"), HighG: maybe("20")}
	optional := needed
	optional.LowG = maybe("0")
	off := in("440")
	gone := in("300")
	gone.Replaced = true
	about := [16]byte(off.ID)
	cases := map[string]struct {
		line    store.BatchLine
		inputs  []store.BatchInput
		dev     []store.Deviation
		state   state
		amount  string
		details string
	}{
		"nothing weighed":                     {line, nil, nil, stateOpen, "400.0 g", ""},
		"at the target":                       {line, []store.BatchInput{in("400")}, nil, stateDone, "400.0 g", ""},
		"at the edge of the tolerance":        {line, []store.BatchInput{in("404")}, nil, stateDone, "404.0 g", ""},
		"from two lots":                       {line, []store.BatchInput{in("150"), in("250")}, nil, stateDone, "400.0 g", ""},
		"a second lot to follow":              {line, []store.BatchInput{in("150")}, nil, statePart, "150.0 g", "still 250.0 g"},
		"really too much":                     {line, []store.BatchInput{off}, []store.Deviation{{AboutID: &about}}, stateOff, "440.0 g", ""},
		"its deviation withdrawn":             {line, []store.BatchInput{off}, []store.Deviation{{AboutID: &about, Withdrawn: true}}, stateOff, "440.0 g", ""},
		"only what was taken back":            {line, []store.BatchInput{gone}, nil, stateOpen, "400.0 g", ""},
		"finer than the scale":                {line, []store.BatchInput{in("400.25")}, nil, stateDone, "400.25 g", ""},
		"as needed, nothing yet":              {needed, nil, nil, stateOpen, "5.0 to 20.0 g", ""},
		"as needed, and it may be none":       {optional, nil, nil, stateMaybe, "0.0 to 20.0 g", ""},
		"as needed, within":                   {needed, []store.BatchInput{in("20")}, nil, stateDone, "20.0 g", ""},
		"as needed, more to come":             {needed, []store.BatchInput{in("3")}, nil, statePart, "3.0 g", "still 2.0 g"},
		"as needed, above":                    {needed, []store.BatchInput{in("21")}, nil, stateOff, "21.0 g", ""},
		"a deviation about some other weight": {line, []store.BatchInput{in("400")}, []store.Deviation{{AboutID: &about}}, stateDone, "400.0 g", ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := balm()
			c.line.Inputs = c.inputs
			b.Lines, b.Deviations = []store.BatchLine{c.line}, c.dev
			got := of(t, tasksOf(b, noon, tenth), "line-1")
			want := []string{string(c.state), c.amount, c.details}
			if diff := cmp.Diff(want, []string{string(got.State), got.Amount, got.Detail}); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestAControlWaitsForAllItsReadings(t *testing.T) {
	t.Parallel()
	read := func(values ...string) (list []store.ControlReading) {
		for i, v := range values {
			list = append(list, store.ControlReading{Value: g(v), Made: madeAt(i)})
		}
		return list
	}
	cases := map[string]struct {
		readings []store.ControlReading
		state    state
		amount   string
	}{
		"none":                      {nil, stateOpen, ""},
		"some":                      {read("51", "52"), statePart, "mean 51.5"},
		"all, inside":               {read("51", "52", "50"), stateDone, "mean 51"},
		"all, one of them outside":  {read("51", "52", "49.9"), stateOff, "mean 50.97"},
		"one, and two taken back":   {append(read("51"), store.ControlReading{Replaced: true}, store.ControlReading{Replaced: true}), statePart, "51"},
		"more than were asked for":  {read("51", "52", "53", "54"), stateDone, "mean 52.5"},
		"some, one of them outside": {read("49", "52"), statePart, "mean 50.5"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := balm()
			b.Controls[1].Readings = c.readings
			got := of(t, tasksOf(b, noon, tenth), "control-2")
			if got.State != c.state || got.Amount != c.amount {
				t.Errorf("%s, %q; want %s, %q", got.State, got.Amount, c.state, c.amount)
			}
		})
	}
}

func TestTheCureOpensItsEndWhenItIsLongEnough(t *testing.T) {
	t.Parallel()
	started, short, long := noon.Add(-48*time.Hour), noon.Add(-time.Hour), noon
	cases := map[string]struct {
		set            func(b *store.BatchRecord)
		now            time.Time
		cure, end, own state // own is the control at its end
		first          string
	}{
		"not moulded":   {func(*store.BatchRecord) {}, noon, stateLater, stateLater, stateLater, "room"},
		"a second less": {func(b *store.BatchRecord) { b.Status, b.CureStartedAt, b.MouldedAt = "curing", &started, &started }, noon.Add(-time.Second), statePart, stateLater, stateLater, "room"},
		"long enough":   {func(b *store.BatchRecord) { b.Status, b.CureStartedAt, b.MouldedAt = "curing", &started, &started }, noon, stateDone, stateOpen, stateOpen, "room"},
		"ended": {func(b *store.BatchRecord) {
			b.Status, b.CureStartedAt, b.CureEndedAt, b.MouldedAt = "packing", &started, &long, &started
		}, noon, stateDone, stateDone, stateOpen, "room"},
		"ended too early": {func(b *store.BatchRecord) {
			b.Status, b.CureStartedAt, b.CureEndedAt, b.MouldedAt = "packing", &started, &short, &started
		}, noon, stateDone, stateOff, stateOpen, "room"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := balm()
			c.set(&b)
			list := tasksOf(b, c.now, tenth)
			got := []state{of(t, list, "cure").State, of(t, list, "cure-end").State, of(t, list, "control-3").State}
			if diff := cmp.Diff([]state{c.cure, c.end, c.own}, got); diff != "" {
				t.Error(diff)
			}
			if first, ok := firstOpen(list); !ok || first.ID != c.first {
				t.Errorf("it opens at %q, want %q", first.ID, c.first)
			}
		})
	}
}

func TestTheHandGoesToWhatComesNext(t *testing.T) {
	t.Parallel()
	b := balm()
	b.Climate = []store.ClimateNote{{Stage: "making", TemperatureC: g("20"), HumidityPct: g("50"), Made: madeAt(0)}}
	for i := range 3 {
		b.Lines[i].Inputs = []store.BatchInput{in(b.Lines[i].TargetG.String())}
	}
	list := tasksOf(b, noon, tenth)
	for name, c := range map[string]struct{ after, want string }{
		"after a line, what may be needed":           {"line-3", "line-4"},
		"none was needed, so the next step":          {"line-4", "step-2"},
		"a step left out comes again at the end":     {"pack", "step-1"},
		"after the room, the first that is not done": {"room", "step-1"},
	} {
		if got, ok := nextAfter(list, c.after); !ok || got.ID != c.want {
			t.Errorf("%s: %q, want %q", name, got.ID, c.want)
		}
	}
	if first, _ := firstOpen(list); first.ID != "step-1" {
		t.Errorf("what may be left out is not where the bench opens: %q", first.ID)
	}
}

// However lines, steps and controls are named and whatever of them is done, each is there once, lines and steps in
// their own order, and recording something moves nothing.
func TestEveryTaskIsThereOnceAndStaysWhereItIs(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		portion := rapid.SampledFrom([]string{"Melt", "Cool", "Base"})
		b := balm()
		b.Yields = rapid.SampledFrom([]string{"units", "bulk"}).Draw(r, "yields")
		b.CureHours = rapid.IntRange(0, 100).Draw(r, "hours")
		b.Lines, b.Steps, b.Controls = nil, nil, nil
		for i := range rapid.IntRange(0, 8).Draw(r, "lines") {
			b.Lines = append(b.Lines, store.BatchLine{Portion: portion.Draw(r, "portion"), Name: fmt.Sprint("L", i), TargetG: g("100")})
		}
		for range rapid.IntRange(0, 6).Draw(r, "steps") {
			b.Steps = append(b.Steps, store.BatchStep{Portion: rapid.SampledFrom([]string{"", "Melt", "Cool", "Left out"}).Draw(r, "of")})
		}
		for range rapid.IntRange(0, 5).Draw(r, "controls") {
			b.Controls = append(b.Controls, store.BatchControl{Stage: rapid.SampledFrom([]string{"making", "moulding", "cure_end"}).Draw(r, "stage"), Asked: 1})
		}
		before := ids(tasksOf(b, noon, tenth))
		seen := map[string]int{}
		lines := 0
		for _, id := range before {
			seen[id]++
			var n int
			if _, err := fmt.Sscanf(id, "line-%d", &n); err == nil {
				if n != lines+1 {
					r.Fatalf("line %d after line %d", n, lines)
				}
				lines = n
			}
		}
		for id, n := range seen {
			if n != 1 {
				r.Fatalf("%s is there %d times", id, n)
			}
		}
		for _, want := range []struct {
			kind string
			n    int
		}{{"line", len(b.Lines)}, {"step", len(b.Steps)}, {"control", len(b.Controls)}} {
			for i := range want.n {
				if id := fmt.Sprintf("%s-%d", want.kind, i+1); seen[id] != 1 {
					r.Fatalf("%s is missing from %v", id, before)
				}
			}
		}
		for i := range b.Lines {
			if rapid.Bool().Draw(r, "weighed") {
				b.Lines[i].Inputs = []store.BatchInput{in("100")}
			}
		}
		if diff := cmp.Diff(before, ids(tasksOf(b, noon, tenth))); diff != "" {
			r.Fatal(diff)
		}
	})
}

func TestTheChartDrawsWhatWasWeighedAndSaysItInWords(t *testing.T) {
	t.Parallel()
	b := balm()
	b.CureHours, b.CureWord = 28*24, "cure"
	started := noon.Add(-30 * 24 * time.Hour)
	b.CureStartedAt = &started
	weigh := func(day float64, grams string) {
		b.Weighings = append(b.Weighings, store.CureWeighing{Grams: g(grams), At: started.Add(time.Duration(day * 24 * float64(time.Hour))), Made: madeAt(0)})
	}
	if chartOf(b, clockUTC) != nil {
		t.Error("nothing was weighed, and there is a chart")
	}
	weigh(0, "110")
	weigh(7, "105")
	c := chartOf(b, clockUTC)
	if c.Curve != "" || c.NotTold == "" || len(c.Points) != 2 {
		t.Errorf("two weighings make no curve: %+v", c)
	}
	weigh(14, "102.5") // half of the way each week: it ends at 100
	c = chartOf(b, clockUTC)
	want := "The marked unit went from 110.0 g on day 0.0 to 102.5 g on day 14.0; the curve through it ends at 100.0 g, with half of the way gone in 7.0 days and 95 % in 30.3 days."
	if c.Summary != want {
		t.Errorf("it says %q\nwant %q", c.Summary, want)
	}
	if len(c.Points) != 3 || c.Curve == "" || c.Rows[1].Fitted != "105.0" {
		t.Errorf("%+v", c)
	}
	b.Weighings[2].Replaced = true
	if c = chartOf(b, clockUTC); c.Curve != "" || len(c.Points) != 2 || len(c.Rows) != 3 {
		t.Errorf("what was taken back stays in the table and leaves the drawing: %+v", c)
	}
}
