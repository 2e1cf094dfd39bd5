package batches

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

func TestAReasonLeadsToWhatItNames(t *testing.T) {
	t.Parallel()
	date := func(text string) day.Day {
		d, err := day.Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	rule := bestbefore.Rule{From: bestbefore.Made, Months: 24, CapByExpiry: true, Precision: bestbefore.ToMonth}
	cut, err := bestbefore.Decide(rule, bestbefore.Dates{Made: date("2026-11-24")}, []bestbefore.Cap{
		{Kind: bestbefore.Batch, Code: "CI-26322-019", Date: date("2027-05-08")}, {Kind: bestbefore.Lot, Code: "EP-0001"}, {Kind: bestbefore.Lot, Code: "SE-0001"}})
	if err != nil {
		t.Fatal(err)
	}
	tests := map[string]struct {
		reason string
		want   []reasonPart
	}{
		"a source batch and lots without a date": {cut.Reason, []reasonPart{
			{"", "24 months from start of making, cut to 8 May 2027 by batch "}, {"batch", "CI-26322-019"}, {"", ", to the month: Apr 2027; no date known for lot "}, {"lot", "EP-0001"}, {"", ", lot "}, {"lot", "SE-0001"}, {"", ""}}},
		"the end of a sentence": {batchView{Until: []string{"CF-0001"}}.untilWords(), []reasonPart{{"", "That is when lot "}, {"lot", "CF-0001"}, {"", " expires"}}},
		"nothing named":         {"12 months from packing", []reasonPart{{"", "12 months from packing"}}},
		"none":                  {"", []reasonPart{{"", ""}}},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tt.want, reasonParts(tt.reason)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestWhatIsInTheWayStandsFirstAndTheRestKeepsItsOrder(t *testing.T) {
	t.Parallel()
	list := []release.Condition{{Key: "a", State: release.OK}, {Key: "b", State: release.Warn}, {Key: "c", State: release.Fail}, {Key: "d", State: release.OK}, {Key: "e", State: release.Fail}}
	var got []string
	for _, c := range worstFirst(list) {
		got = append(got, c.Key)
	}
	if diff := cmp.Diff([]string{"c", "e", "b", "a", "d"}, got); diff != "" {
		t.Error(diff)
	}
	if list[0].Key != "a" {
		t.Error("the list that is signed was changed")
	}
}

func TestASignaturesTimeIsReadable(t *testing.T) {
	t.Parallel()
	for stored, want := range map[string]string{
		"2026-11-20 09:52:00 +0000 Europe/Dublin": "20 Nov 2026, 09:52 (Europe/Dublin)",
		"2026-07-01 18:05:59 +0100 Europe/Dublin": "1 Jul 2026, 18:05 (Europe/Dublin)",
		"some other way": "some other way",
		"":               "",
	} {
		if got := signedAt(measure.Style{}, store.Signature{LocalTime: stored}); got != want {
			t.Errorf("%q is shown as %q, want %q", stored, got, want)
		}
	}
}
