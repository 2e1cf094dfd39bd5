package reporting_test

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/reporting"
)

// testdata/reporting/business-days.csv, see its SOURCE.md.
func TestBusinessDaysAreThoseOfTheVectors(t *testing.T) {
	t.Parallel()
	f, err := os.Open("../../testdata/reporting/business-days.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 3 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		n, err := strconv.Atoi(row[1])
		if err != nil {
			t.Fatal(err)
		}
		if got := reporting.BusinessDays(day.Must(row[0]), n).String(); got != row[2] {
			t.Errorf("%d business days after %s: %s, want %s", n, row[0], got, row[2])
		}
	}
}

func TestBusinessDaysStepOverEachWeekend(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		after string
		n     int
		want  string
	}{
		"none":                     {"2026-05-02", 0, "2026-05-02"},
		"the first after a Friday": {"2026-05-01", 1, "2026-05-04"},
		"after a Saturday":         {"2026-05-02", 1, "2026-05-04"},
		"after a Sunday":           {"2026-05-03", 1, "2026-05-04"},
		"a week":                   {"2026-05-04", 5, "2026-05-11"},
	} {
		if got := reporting.BusinessDays(day.Must(c.after), c.n).String(); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

func days(list ...string) (out []day.Day) {
	for _, d := range list {
		out = append(out, day.Must(d))
	}
	return out
}

func TestClocksRunForWhatIsSeriousUnderTheLawOfThePlace(t *testing.T) {
	t.Parallel()
	received := day.Must("2026-05-01")
	for name, c := range map[string]struct {
		market     reporting.Market
		kind       reporting.Kind
		news, told []day.Day
		want       []reporting.Clock
	}{
		"of quality":          {market: reporting.US, kind: reporting.Quality},
		"undesirable":         {market: reporting.EU, kind: reporting.Undesirable},
		"no rule known":       {market: reporting.Other, kind: reporting.Serious},
		"EU":                  {market: reporting.EU, kind: reporting.Serious, want: []reporting.Clock{{Market: reporting.EU, From: received}}},
		"UK, told":            {market: reporting.UK, kind: reporting.Serious, told: days("2026-05-04", "2026-05-02"), want: []reporting.Clock{{Market: reporting.UK, From: received, ToldOn: day.Must("2026-05-02")}}},
		"EU, news":            {market: reporting.EU, kind: reporting.Serious, news: days("2026-06-01"), want: []reporting.Clock{{Market: reporting.EU, From: received}}},
		"US":                  {market: reporting.US, kind: reporting.Serious, want: []reporting.Clock{{Market: reporting.US, From: received, Due: day.Must("2026-05-22")}}},
		"told before it came": {market: reporting.US, kind: reporting.Serious, told: days("2026-04-30"), want: []reporting.Clock{{Market: reporting.US, From: received, Due: day.Must("2026-05-22")}}},
		"US, news within a year, and one later": {market: reporting.US, kind: reporting.Serious, news: days("2026-06-29", "2027-05-02"), told: days("2026-05-20"), want: []reporting.Clock{
			{Market: reporting.US, From: received, Due: day.Must("2026-05-22"), ToldOn: day.Must("2026-05-20")}, {Market: reporting.US, From: day.Must("2026-06-29"), News: true, Due: day.Must("2026-07-20")}}},
	} {
		if diff := cmp.Diff(c.want, reporting.Clocks(c.market, c.kind, received, c.news, c.told)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestAClockIsOverdueWhenItsDayHasPassedAndNobodyWasTold(t *testing.T) {
	t.Parallel()
	from, due := day.Must("2026-05-01"), day.Must("2026-05-22")
	for name, c := range map[string]struct {
		clock reporting.Clock
		today string
		want  bool
	}{
		"without delay, the same day": {reporting.Clock{From: from}, "2026-05-01", false},
		"without delay, the next":     {reporting.Clock{From: from}, "2026-05-02", true},
		"on the day":                  {reporting.Clock{From: from, Due: due}, "2026-05-22", false},
		"past it":                     {reporting.Clock{From: from, Due: due}, "2026-05-23", true},
		"past it, but told late":      {reporting.Clock{From: from, Due: due, ToldOn: day.Must("2026-06-01")}, "2026-06-02", false},
	} {
		if got := c.clock.Overdue(day.Must(c.today)); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

func TestAdverseEventsOfTheUSAreKeptSixYearsAndThreeByASmallBusiness(t *testing.T) {
	t.Parallel()
	closed := day.Must("2024-02-29")
	want := reporting.Keep{Small: day.Must("2027-02-28"), Until: day.Must("2030-02-28")}
	for _, kind := range []reporting.Kind{reporting.Undesirable, reporting.Serious} {
		if got := reporting.KeepUntil(reporting.US, kind, closed); got != want {
			t.Errorf("%s: %v", kind, got)
		}
	}
	for _, got := range []reporting.Keep{reporting.KeepUntil(reporting.US, reporting.Quality, closed), reporting.KeepUntil(reporting.EU, reporting.Serious, closed), reporting.KeepUntil(reporting.US, reporting.Serious, day.Day{})} {
		if got != (reporting.Keep{}) {
			t.Errorf("no time is known: %v", got)
		}
	}
}

func TestEachCriterionHasItsOwnKeyAndALaw(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, c := range reporting.Criteria {
		if seen[c.Key] || c.Words == "" || !c.EU && !c.US || !reporting.Known(c.Key) {
			t.Errorf("%+v", c)
		}
		seen[c.Key] = true
	}
	if reporting.Known("") || reporting.Known("rash") {
		t.Error("what is no criterion is known")
	}
}
