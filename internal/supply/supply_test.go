package supply_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/supply"
)

func d(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func source(code, left, until string) supply.Source {
	s := supply.Source{Code: code, Left: d(left)}
	if until != "" {
		s.Until = day.Must(until)
	}
	return s
}

func need(on, amount string) supply.Need { return supply.Need{On: day.Must(on), Amount: d(amount)} }

func said(list []supply.Source) string {
	var out []string
	for _, s := range list {
		out = append(out, s.Code+" "+s.Left.String())
	}
	return strings.Join(out, ", ")
}

func TestTheEarliestNeedIsServedFirstFromWhatRunsOutFirst(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		sources []supply.Source
		needs   []supply.Need
		left    string
		missing []string
	}{
		"enough for both":           {[]supply.Source{source("A", "100", "")}, []supply.Need{need("2026-03-01", "60"), need("2026-03-02", "40")}, "A 0", []string{"0", "0"}},
		"the later one goes short":  {[]supply.Source{source("A", "100", "")}, []supply.Need{need("2026-03-02", "60"), need("2026-03-01", "70")}, "A 0", []string{"30", "0"}},
		"of one day, in turn":       {[]supply.Source{source("A", "100", "")}, []supply.Need{need("2026-03-01", "60"), need("2026-03-01", "70")}, "A 0", []string{"0", "30"}},
		"first what runs out first": {[]supply.Source{source("A", "100", ""), source("C", "50", "2026-04-01"), source("B", "50", "2026-03-15")}, []supply.Need{need("2026-03-01", "60")}, "B 0, C 40, A 100", []string{"0"}},
		"used on its last day":      {[]supply.Source{source("A", "100", "2026-03-01")}, []supply.Need{need("2026-03-01", "60")}, "A 40", []string{"0"}},
		"not on the day after":      {[]supply.Source{source("A", "100", "2026-02-28")}, []supply.Need{need("2026-03-01", "60")}, "A 100", []string{"60"}},
		// The early need takes from the lot that the late one could not use, so both are served.
		"a late need keeps what lasts": {[]supply.Source{source("B", "60", ""), source("A", "60", "2026-03-05")}, []supply.Need{need("2026-03-10", "60"), need("2026-03-01", "60")}, "A 0, B 0", []string{"0", "0"}},
		"nothing there":                {nil, []supply.Need{need("2026-03-01", "60")}, "", []string{"60"}},
		"nothing needed":               {[]supply.Source{source("A", "5", "")}, nil, "A 5", nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			left, missing := supply.Serve(tc.sources, tc.needs)
			var short []string
			for _, m := range missing {
				short = append(short, m.String())
			}
			if diff := cmp.Diff(tc.left, said(left)) + cmp.Diff(tc.missing, short); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestWhatOthersNeedIsNotUsable(t *testing.T) {
	t.Parallel()
	sources := []supply.Source{source("A", "100", "2026-03-10"), source("B", "50", "")}
	others := []supply.Need{need("2026-03-01", "30"), need("2026-03-20", "10")}
	for name, tc := range map[string]struct{ on, want string }{
		"while both may be used":      {"2026-03-05", "110"}, // 150 - 30 - 10
		"after the first has run out": {"2026-03-15", "40"},  // 50 - 10, the 30 came from A
	} {
		if got := supply.Usable(sources, others, day.Must(tc.on)); !got.Equal(d(tc.want)) {
			t.Errorf("%s: %s, want %s", name, got, tc.want)
		}
	}
	if got := said(supply.TooSoon(append(sources, source("C", "0", "2026-01-01")), day.Must("2026-03-15"))); got != "A 100" {
		t.Errorf("what runs out before is named: %q", got)
	}
}

// Whatever is asked, nothing is given twice and nothing is lost, and a need goes short only where no fit source is left.
func TestNothingIsGivenTwiceOrLost(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		first := day.Must("2026-03-01")
		amount := rapid.Custom(func(t *rapid.T) decimal.Decimal { return decimal.New(rapid.Int64Range(0, 500).Draw(t, "amount"), -1) })
		on := rapid.Custom(func(t *rapid.T) day.Day { return first.AddDays(rapid.IntRange(0, 9).Draw(t, "day")) })
		sources := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) supply.Source {
			s := supply.Source{Code: rapid.StringN(1, 3, 3).Draw(t, "code"), Left: amount.Draw(t, "left")}
			if rapid.Bool().Draw(t, "ends") {
				s.Until = on.Draw(t, "until")
			}
			return s
		}), 0, 6).Draw(t, "sources")
		needs := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) supply.Need { return supply.Need{On: on.Draw(t, "on"), Amount: amount.Draw(t, "need")} }), 0, 6).Draw(t, "needs")
		left, missing := supply.Serve(sources, needs)
		had, has, asked, short := decimal.Zero, decimal.Zero, decimal.Zero, decimal.Zero
		for _, s := range sources {
			had = had.Add(s.Left)
		}
		for _, s := range left {
			if s.Left.IsNegative() {
				t.Fatalf("%s is at %s", s.Code, s.Left)
			}
			has = has.Add(s.Left)
		}
		for i, n := range needs {
			asked, short = asked.Add(n.Amount), short.Add(missing[i])
			if missing[i].IsPositive() && supply.On(left, n.On).IsPositive() {
				t.Fatalf("a need of %s goes short though %s is left", n.On, supply.On(left, n.On))
			}
		}
		if !had.Sub(has).Equal(asked.Sub(short)) {
			t.Fatalf("%s went out, %s came in", had.Sub(has), asked.Sub(short))
		}
	})
}
