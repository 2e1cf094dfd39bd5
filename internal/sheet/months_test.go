package sheet

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"
)

// The lengths of months are the Gregorian calendar's: 2028 is a leap year, 2100 is none.
func TestAMonthWithoutADayIsReadAsItsFirstOrItsLast(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][2]string{
		"03/2027": {"2027-03-01", "2027-03-31"}, "3-2027": {"2027-03-01", "2027-03-31"}, "4. 2027": {"2027-04-01", "2027-04-30"}, "2027-03": {"2027-03-01", "2027-03-31"}, "2027/12": {"2027-12-01", "2027-12-31"},
		"Mar 2027": {"2027-03-01", "2027-03-31"}, "february  2028": {"2028-02-01", "2028-02-29"}, "Feb. 2100": {"2100-02-01", "2100-02-28"}, "Sept-27": {"2027-09-01", "2027-09-30"}, "Mar 27": {"2027-03-01", "2027-03-31"}, "03/27": {"2027-03-01", "2027-03-31"},
		"3/27": {}, "13/2027": {}, "00/2027": {}, "2027-0": {}, "2027-13": {}, "0000-03": {}, "Mai 2027": {}, "2027": {}, "Mar": {}, "27-Mar": {}, "27 Mar": {}, "03/203": {}, "1/03/2027": {}, "": {},
	} {
		first, _ := monthOnly(text, FirstDay)
		last, ok := monthOnly(text, LastDay)
		if got := [2]string{first, last}; got != want || ok != (want[0] != "") {
			t.Errorf("%q is %q", text, got)
		}
		if _, isDay := date(text, DayFirst); isDay && ok {
			t.Errorf("%q is a day as well", text)
		}
	}
}

func TestWhichDayAMonthStandsForIsAskedOfItsColumn(t *testing.T) {
	t.Parallel()
	const text = "Lot no;Material;Received;Expiry;Qty;Status\nL-1;OIL;02/2026;03/2027;1;released\nL-2;OIL;2026-02-14;05/06;1;released\nL-3;OIL;2026-02-14;2028-02-10;1;released\n"
	b, of, l, m := looked(t, []byte(text), "material_lots")
	if diff := cmp.Diff([]string{"month-2", "month-3"}, faultNames(l.Check(of, m))); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
	a := l.Ask(of, 3, "expires_on")
	if diff := cmp.Diff([]string{"05/06", "2006-05-01", "2006-05-31", LastDay, FirstDay, NoDay}, append([]string{a.Month, a.AsFirst, a.AsLast}, a.MonthDays...)); diff != "" {
		t.Errorf("of expires_on (-want +got):\n%s", diff)
	}
	m.Columns[2].Month, m.Columns[3].Month = LastDay, LastDay
	if diff := cmp.Diff([]string{"month-2"}, faultNames(l.Check(of, m))); diff != "" {
		t.Errorf("a delivery is no last good day (-want +got):\n%s", diff)
	}
	m.Columns[2].Month = FirstDay
	got, faults := converted(t, b, of, l, m, oil())
	if diff := cmp.Diff("code,material,received_on,expires_on,quantity,status\nL-1,OIL,2026-02-01,2027-03-31,1,released\nL-2,OIL,2026-02-14,2006-05-31,1,released\nL-3,OIL,2026-02-14,2028-02-10,1,released\n", got); diff != "" || faults != nil {
		t.Errorf("%v (-want +got):\n%s", faults, diff)
	}
	_, _, mixed, _ := looked(t, []byte("Lot no;Expiry\nL-1;03/2027\nL-2;31/01/2027\nL-3;01/31/2027\n"), "material_lots")
	if a := mixed.Ask(of, 1, "expires_on"); a.Dates != "31/01/2027" || !a.MixedDates {
		t.Errorf("what comes first is asked of %q", a.Dates)
	}
	kept := l.Recall(of, l.Remember(of, m))
	if kept.Columns[2].Month != FirstDay || kept.Columns[3].Month != LastDay {
		t.Errorf("remembered: %q and %q", kept.Columns[2].Month, kept.Columns[3].Month)
	}
	m.Columns[3].Month = NoDay
	_, faults = converted(t, b, of, l, m, oil())
	if diff := cmp.Diff([]string{`list:2: Expiry: "03/2027" is a month without a day`, `list:3: Expiry: "05/06" is a month without a day`}, faults); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestAMonthInATimesColumnTakesTheTimeThatWasSaid(t *testing.T) {
	t.Parallel()
	b, of, l, m := looked(t, []byte("Batch,Made,Status\nA-1,Mar 2026,released\nA-2,03/2026 9:30,released\n"), "batches")
	if diff := cmp.Diff([]string{"month-1", "time-1"}, faultNames(l.Check(of, m))); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
	m.Columns[1].Month, m.Columns[1].Time = FirstDay, "08:00"
	got, faults := converted(t, b, of, l, m, Facts{Zone: time.UTC})
	if diff := cmp.Diff("code,made_at,status\nA-1,2026-03-01T08:00:00Z,released\nA-2,2026-03-01T09:30:00Z,released\n", got); diff != "" || faults != nil {
		t.Errorf("%v (-want +got):\n%s", faults, diff)
	}
}

// A workbook's date is a day, in whatever form it is shown; its texts and numbers are not.
func TestADateOfAWorkbookShownAsAMonthIsADay(t *testing.T) {
	t.Parallel()
	data := workbookOf(t, func(f *excelize.File) {
		cells(t, f, "Sheet1", map[string]any{"A1": "Lot no", "B1": "Material", "C1": "Received", "D1": "Expiry", "E1": "Qty", "F1": "Status", "A2": "L-1", "B2": "OIL", "C2": "2026-02-14", "D2": time.Date(2027, 3, 14, 0, 0, 0, 0, time.UTC), "E2": 1, "F2": "released"})
		style, err := f.NewStyle(&excelize.Style{CustomNumFmt: ptr("mmm-yy")})
		check(t, err)
		check(t, f.SetCellStyle("Sheet1", "D2", "D2", style))
	})
	b, of, l, m := looked(t, data, "material_lots")
	got, faults := converted(t, b, of, l, m, oil())
	if diff := cmp.Diff("code,material,received_on,expires_on,quantity,status\nL-1,OIL,2026-02-14,2027-03-14,1,released\n", got); diff != "" || faults != nil {
		t.Errorf("%v (-want +got):\n%s", faults, diff)
	}
}
