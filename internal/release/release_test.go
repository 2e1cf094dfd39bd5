package release_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/release"
)

var start = time.Date(2026, 3, 14, 10, 0, 0, 0, time.UTC)

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

// bath is a packing of the invented Quillmoor Workshop that nothing is wrong with.
func bath() release.Evidence {
	return release.Evidence{
		Subject: release.Packing,
		Inputs: release.Read(
			release.Input{
				Kind: release.Lot, Code: "OIL-0042", Name: "Olive oil", State: release.Released,
				UsedOn: "2026-03-14", ExpiresOn: "2026-03-14",
			},
			release.Input{Kind: release.Lot, Code: "SODA-7", Name: "Soda", State: release.Released, UsedOn: "2026-03-14"},
			release.Input{Kind: release.Batch, Code: "QM-26060-01A", Name: "Oat base", State: release.Released},
			release.Input{Kind: release.Untracked, Code: "kitchen tap", Name: "Water"},
		),
		Steps:      release.Read(release.Step{Name: "Sieve", Done: true}, release.Step{Name: "Press", Done: true}),
		Controls:   release.Read(release.Control{Name: "pH", Stage: "at end of cure", Done: true, InLimits: true}),
		Deviations: release.Read[release.Deviation](),
		Climate:    release.Climate{Recorded: true, Words: "19.5 °C, 48 %"},
		Yield:      release.Yield{Measured: true, Good: 47, UnexplainedG: dec("-12.34"), UnexplainedPct: dec("-0.15"), LimitPct: dec("2")},
		Equipment: release.Read(
			release.Equipment{Name: "Bench scale", CheckDue: "2026-03-14", UsedOn: "2026-03-14"},
			release.Equipment{Name: "Round mould", NoCheck: true},
		),
		Late:       release.Read[release.Late](),
		Cure:       release.Cure{MinHours: 48, Started: start, Ended: start.Add(48 * time.Hour)},
		BestBefore: release.BestBefore{Printed: "30 Apr 2027", Reason: "12 months from end of cure"},
		Clearance:  release.Clearance{By: "Ada Quill", At: start.Add(50 * time.Hour), PackedAt: start.Add(50 * time.Hour)},
		Label:      release.Label{Ticked: true, By: "Ada Quill", Specimen: "QM-26073-01Z, best before 30 Apr 2027"},
		Packaging: release.Read(release.Packaged{
			Name: "Paper band", Lots: []string{"BAND-3"}, Issued: dec("50"), Used: dec("47"), Spoiled: dec("1"), Returned: dec("2"),
		}),
	}
}

func TestAPackingThatNothingIsWrongWithMayLeave(t *testing.T) {
	t.Parallel()
	want := []release.Condition{
		{Key: "lots", Name: "Lots fit for use", State: release.OK, Words: "3 lots and batches used, released and in date"},
		{Key: "steps", Name: "Steps done", State: release.OK, Words: "All 2 weighings and steps done"},
		{Key: "controls", Name: "Controls in limits", State: release.OK, Words: "1 control, in limits"},
		{Key: "deviations", Name: "Deviations decided", State: release.OK, Words: "No deviations"},
		{Key: "climate", Name: "Climate at making", State: release.OK, Words: "19.5 °C, 48 %"},
		{Key: "cure", Name: "Cure", State: release.OK, Words: "Cure ran 48 h, the formula asks for 48 h"},
		{
			Key: "yield", Name: "Yield reconciled", State: release.OK,
			Words: "47 good units; -12.3 g unaccounted for, -0.15 % of what went in; the limit is 2 %",
		},
		{Key: "best-before", Name: "Best before", State: release.OK, Words: "30 Apr 2027: 12 months from end of cure"},
		{Key: "clearance", Name: "Line cleared", State: release.OK, Words: "Cleared by Ada Quill before packing"},
		{Key: "packaging", Name: "Packaging", State: release.OK, Words: "1 material, lots recorded, counts add up"},
		{Key: "label", Name: "Label checked", State: release.OK, Words: "Checked by Ada Quill, specimen kept"},
		{Key: "equipment", Name: "Equipment checks", State: release.OK, Words: "All checks in date"},
		{Key: "late", Name: "Written at the time", State: release.OK, Words: "No entry was made late"},
	}
	got := release.Conditions(bath())
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("Conditions (-want +got):\n%s", diff)
	}
	if n := release.Open(got); n != 0 {
		t.Errorf("Open = %d, want 0", n)
	}
}

func keys(conds []release.Condition, state release.State) []string {
	var list []string
	for _, c := range conds {
		if c.State == state {
			list = append(list, c.Key)
		}
	}
	return list
}

func TestWhatNobodyLookedAtFailsInEveryCondition(t *testing.T) {
	t.Parallel()
	packing := []string{
		"lots", "steps", "controls", "deviations", "climate", "cure", "yield", "best-before", "clearance", "packaging",
		"label", "equipment", "late",
	}
	bulk := []string{"lots", "steps", "controls", "deviations", "climate", "yield", "equipment", "late"}
	for _, tt := range []struct {
		name    string
		subject release.Subject
		want    []string
	}{
		{"no subject is judged as a packing", "", packing},
		{"an unknown subject is judged as a packing", "BULK", packing},
		{"a packing", release.Packing, packing},
		{"bulk", release.Bulk, bulk},
		{"a set", release.Set, []string{"lots", "parts", "deviations", "best-before", "clearance", "packaging", "label", "equipment", "late"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			conds := release.Conditions(release.Evidence{Subject: tt.subject})
			if diff := cmp.Diff(tt.want, keys(conds, release.Fail)); diff != "" {
				t.Errorf("failing (-want +got):\n%s", diff)
			}
			if len(conds) != len(tt.want) || release.Open(conds) != len(tt.want) {
				t.Errorf("%d conditions, %d open, want %d and all open", len(conds), release.Open(conds), len(tt.want))
			}
			for _, c := range conds {
				if c.Words == "" || c.Name == "" {
					t.Errorf("%s says nothing: %+v", c.Key, c)
				}
			}
		})
	}
}

func TestRowsWithNothingInThemDoNotPass(t *testing.T) {
	t.Parallel()
	e := bath()
	e.Inputs = release.Read(release.Input{})
	e.Steps = release.Read(release.Step{})
	e.Controls = release.Read(release.Control{})
	e.Deviations = release.Read(release.Deviation{})
	e.Packaging = release.Read(release.Packaged{})
	e.Equipment = release.Read(release.Equipment{})
	e.Late = release.Read(release.Late{})
	conds := release.Conditions(e)
	if diff := cmp.Diff([]string{"lots", "steps", "controls", "deviations", "packaging"}, keys(conds, release.Fail)); diff != "" {
		t.Errorf("failing (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"equipment", "late"}, keys(conds, release.Warn)); diff != "" {
		t.Errorf("warning (-want +got):\n%s", diff)
	}
}

func TestNoConditionsAtAllIsNotAnOpenDoor(t *testing.T) {
	t.Parallel()
	if got := release.Open(nil); got != 1 {
		t.Errorf("Open(nil) = %d, want 1", got)
	}
	if got := release.Open([]release.Condition{{Key: "lots"}, {Key: "steps", State: release.Warn}}); got != 1 {
		t.Errorf("Open = %d for a condition without a state and one that warns, want 1", got)
	}
}

// Each row changes one thing in a packing that is right; exactly one condition may then speak up, in these words.
func TestEachThingThatIsWrongSaysSoAndOnlyThere(t *testing.T) {
	t.Parallel()
	oil := release.Input{
		Kind: release.Lot, Code: "OIL-0042", Name: "Olive oil", State: release.Released, UsedOn: "2026-03-14", ExpiresOn: "2026-12-31",
	}
	with := func(change func(*release.Input)) release.List[release.Input] {
		in := oil
		change(&in)
		return release.Read(in)
	}
	for _, tt := range []struct {
		name   string
		change func(*release.Evidence)
		key    string
		state  release.State
		words  string
	}{
		{
			"no ingredient", func(e *release.Evidence) { e.Inputs = release.Read[release.Input]() },
			"lots", release.Fail, "No ingredient has been recorded",
		},
		{
			"a lot in quarantine",
			func(e *release.Evidence) { e.Inputs = with(func(in *release.Input) { in.State = release.Quarantined }) },
			"lots", release.Fail, "Olive oil OIL-0042 is in quarantine",
		},
		{
			"a lot in quarantine, accepted",
			func(e *release.Evidence) {
				e.Inputs = with(func(in *release.Input) { in.State, in.Deviation = release.Quarantined, release.Accept })
			},
			"lots", release.Warn, "Olive oil OIL-0042 is in quarantine; accepted as a deviation",
		},
		{
			"a lot in quarantine, not accepted",
			func(e *release.Evidence) {
				e.Inputs = with(func(in *release.Input) { in.State, in.Deviation = release.Quarantined, release.Reject })
			},
			"lots", release.Fail, "Olive oil OIL-0042 is in quarantine",
		},
		{
			"a rejected lot, whatever was signed",
			func(e *release.Evidence) {
				e.Inputs = with(func(in *release.Input) { in.State, in.Deviation = release.Rejected, release.Accept })
			},
			"lots", release.Fail, "Olive oil OIL-0042 is rejected",
		},
		{
			"a recalled lot, whatever was signed",
			func(e *release.Evidence) {
				e.Inputs = with(func(in *release.Input) { in.State, in.Deviation = release.Recalled, release.Accept })
			},
			"lots", release.Fail, "Olive oil OIL-0042 is recalled",
		},
		{
			"a lot of a state that is not known",
			func(e *release.Evidence) {
				e.Inputs = with(func(in *release.Input) { in.State, in.Deviation = "ok", release.Accept })
			},
			"lots", release.Fail, "Olive oil OIL-0042 has not been released",
		},
		{
			"a lot used the day after it expired",
			func(e *release.Evidence) { e.Inputs = with(func(in *release.Input) { in.ExpiresOn = "2026-03-13" }) },
			"lots", release.Fail, "Olive oil OIL-0042 expired on 13 Mar 2026 and was used on 14 Mar 2026",
		},
		{
			"an expired lot, accepted",
			func(e *release.Evidence) {
				e.Inputs = with(func(in *release.Input) { in.ExpiresOn, in.Deviation = "2025-12-31", release.Accept })
			},
			"lots", release.Warn,
			"Olive oil OIL-0042 expired on 31 Dec 2025 and was used on 14 Mar 2026; accepted as a deviation",
		},
		{
			"a lot without the day of its use",
			func(e *release.Evidence) { e.Inputs = with(func(in *release.Input) { in.UsedOn = "" }) },
			"lots", release.Fail, "Olive oil OIL-0042: the day it was used is missing",
		},
		{
			"an expiry that is no date",
			func(e *release.Evidence) { e.Inputs = with(func(in *release.Input) { in.ExpiresOn = "2026-02-30" }) },
			"lots", release.Fail, "Olive oil OIL-0042: its expiry cannot be read",
		},
		{
			"a rejected batch drawn",
			func(e *release.Evidence) {
				e.Inputs = release.Read(release.Input{Kind: release.Batch, Code: "QM-1", Name: "Oat base", State: release.Rejected})
			},
			"lots", release.Fail, "Oat base QM-1 is rejected",
		},
		{
			"water without a source",
			func(e *release.Evidence) {
				e.Inputs = release.Read(oil, release.Input{Kind: release.Untracked, Name: "Water"})
			},
			"lots", release.Fail, "Water has no note of where it came from",
		},
		{
			"an ingredient without a lot", func(e *release.Evidence) { e.Inputs = release.Read(oil, release.Input{Name: "Clay"}) },
			"lots", release.Fail, "Clay has no lot",
		},
		{
			"two lots, the failing one first",
			func(e *release.Evidence) {
				held, expired := oil, oil
				held.State, held.Deviation = release.Quarantined, release.Accept
				expired.Code, expired.ExpiresOn = "OIL-0043", "2026-03-01"
				e.Inputs = release.Read(held, expired)
			},
			"lots", release.Fail,
			"Olive oil OIL-0043 expired on 1 Mar 2026 and was used on 14 Mar 2026\n" +
				"Olive oil OIL-0042 is in quarantine; accepted as a deviation",
		},
		{
			"a step left out", func(e *release.Evidence) { e.Steps = release.Read(release.Step{Name: "Sieve"}) },
			"steps", release.Fail, "Sieve is not done",
		},
		{
			"a step left out, accepted",
			func(e *release.Evidence) {
				e.Steps = release.Read(release.Step{Name: "Sieve", Deviation: release.Accept})
			},
			"steps", release.Warn, "Sieve is not done; accepted as a deviation",
		},
		{
			"a control without a reading",
			func(e *release.Evidence) {
				e.Controls = release.Read(release.Control{Name: "pH", Stage: "at end of cure", InLimits: true})
			},
			"controls", release.Fail, "pH at end of cure has no reading",
		},
		{
			"a control outside",
			func(e *release.Evidence) {
				e.Controls = release.Read(release.Control{
					Name: "pH", Stage: "at packing", Done: true, Words: "10.6; the formula allows 8 to 10.5",
				})
			},
			"controls", release.Fail, "pH at packing: 10.6; the formula allows 8 to 10.5",
		},
		{
			"a control outside, accepted",
			func(e *release.Evidence) {
				e.Controls = release.Read(release.Control{Name: "pH", Done: true, Deviation: release.Accept})
			},
			"controls", release.Warn, "pH is outside its limits; accepted as a deviation",
		},
		{
			"a deviation that is open",
			func(e *release.Evidence) {
				e.Deviations = release.Read(
					release.Deviation{Name: "Clay added", Decision: release.Accept}, release.Deviation{Name: "3 g too much oil"})
			},
			"deviations", release.Fail, "3 g too much oil is not decided",
		},
		{
			"a deviation decided against",
			func(e *release.Evidence) {
				e.Deviations = release.Read(release.Deviation{Name: "Clay added", Decision: release.Reject})
			},
			"deviations", release.Fail, "Clay added was decided: reject",
		},
		{
			"a decision of another word",
			func(e *release.Evidence) {
				e.Deviations = release.Read(release.Deviation{Name: "Clay added", Decision: "Accept"})
			},
			"deviations", release.Fail, "Clay added is not decided",
		},
		{
			"no climate", func(e *release.Evidence) { e.Climate = release.Climate{Words: "19 °C"} },
			"climate", release.Fail, "Temperature and humidity at making are not recorded",
		},
		{
			"a damp room",
			func(e *release.Evidence) { e.Climate.Outside = []string{"63 % humidity; the formula allows 60 %"} },
			"climate", release.Fail, "63 % humidity; the formula allows 60 %",
		},
		{
			"a damp room, accepted",
			func(e *release.Evidence) {
				e.Climate.Outside, e.Climate.Deviation = []string{"63 % humidity"}, release.Accept
			},
			"climate", release.Warn, "63 % humidity; accepted as a deviation",
		},
		{
			"a cure two hours short", func(e *release.Evidence) { e.Cure.Ended = start.Add(46 * time.Hour) },
			"cure", release.Fail, "Cure ran 46 h, the formula asks for 48 h",
		},
		{
			"a cure a minute short", func(e *release.Evidence) { e.Cure.Ended = start.Add(48*time.Hour - time.Minute) },
			"cure", release.Fail, "Cure ran 47 h, the formula asks for 48 h",
		},
		{
			"a long cure a day short",
			func(e *release.Evidence) {
				e.Cure = release.Cure{MinHours: 42 * 24, Started: start, Ended: start.Add(42*24*time.Hour - time.Hour)}
			},
			"cure", release.Fail, "Cure ran 41 days, the formula asks for 42 days",
		},
		{
			"a short cure, accepted",
			func(e *release.Evidence) { e.Cure.Ended, e.Cure.Deviation = start.Add(46*time.Hour), release.Accept },
			"cure", release.Warn, "Cure ran 46 h, the formula asks for 48 h; accepted as a deviation",
		},
		{
			"a cure that has not ended", func(e *release.Evidence) { e.Cure.Ended = time.Time{} },
			"cure", release.Fail, "Cure has not ended",
		},
		{
			"a cure without a start", func(e *release.Evidence) { e.Cure.Started = time.Time{} },
			"cure", release.Fail, "Cure has no start",
		},
		{
			"a cure that ends before it starts", func(e *release.Evidence) { e.Cure.Ended = start.Add(-time.Hour) },
			"cure", release.Fail, "Cure ends before it starts",
		},
		{
			"a cure of no length",
			func(e *release.Evidence) { e.Cure.MinHours, e.Cure.Deviation = 0, release.Accept },
			"cure", release.Fail, "The formula's cure time has not been looked up",
		},
		{
			"units not counted", func(e *release.Evidence) { e.Yield.Measured = false },
			"yield", release.Fail, "The units have not been counted",
		},
		{
			"nothing good", func(e *release.Evidence) { e.Yield.Good = 0 },
			"yield", release.Fail, "There are no good units to release",
		},
		{
			"more lost than the limit",
			func(e *release.Evidence) { e.Yield.UnexplainedG, e.Yield.UnexplainedPct = dec("210"), dec("2.01") },
			"yield", release.Fail,
			"210 g unaccounted for, 2.01 % of what went in; the limit is 2 %, and nobody has explained it",
		},
		{
			"more found than the limit",
			func(e *release.Evidence) { e.Yield.UnexplainedG, e.Yield.UnexplainedPct = dec("-210"), dec("-2.01") },
			"yield", release.Fail,
			"-210 g unaccounted for, -2.01 % of what went in; the limit is 2 %, and nobody has explained it",
		},
		{
			"over the limit, explained",
			func(e *release.Evidence) {
				e.Yield.UnexplainedG, e.Yield.UnexplainedPct = dec("210"), dec("2.01")
				e.Yield.Explanation = " a mould tipped over "
			},
			"yield", release.Warn,
			"210 g unaccounted for, 2.01 % of what went in; the limit is 2 %; explained: a mould tipped over",
		},
		{
			"over the limit, explained with blanks",
			func(e *release.Evidence) { e.Yield.UnexplainedPct, e.Yield.Explanation = dec("9"), " \n" },
			"yield", release.Fail,
			"-12.3 g unaccounted for, 9 % of what went in; the limit is 2 %, and nobody has explained it",
		},
		{
			"a unit gone though the mass is within its limit", func(e *release.Evidence) { e.Yield.UnitsOff = "10 made: 9 good, 1 not accounted for" },
			"yield", release.Fail, "10 made: 9 good, 1 not accounted for, and nobody has explained it",
		},
		{
			"a unit gone, explained",
			func(e *release.Evidence) {
				e.Yield.UnitsOff, e.Yield.Explanation = "10 made: 9 good, 1 not accounted for", "fell into the sink"
			},
			"yield", release.Warn, "10 made: 9 good, 1 not accounted for; explained: fell into the sink",
		},
		{
			"a limit that cannot be", func(e *release.Evidence) { e.Yield.LimitPct = dec("-1") },
			"yield", release.Fail, "The formula's reconciliation limit cannot be read",
		},
		{
			"no best-before", func(e *release.Evidence) { e.BestBefore.Printed = " " },
			"best-before", release.Fail, "The best-before date is not decided",
		},
		{
			"a lot of unknown expiry", func(e *release.Evidence) { e.BestBefore.Unknown = []string{"Soda SODA-7"} },
			"best-before", release.Warn, "Soda SODA-7 has no known expiry",
		},
		{
			"the line not cleared", func(e *release.Evidence) { e.Clearance.By = "" },
			"clearance", release.Fail, "Nobody has cleared the line",
		},
		{
			"the line cleared at no time", func(e *release.Evidence) { e.Clearance.At = time.Time{} },
			"clearance", release.Fail, "Nobody has cleared the line",
		},
		{
			"the line cleared too late", func(e *release.Evidence) { e.Clearance.At = e.Clearance.PackedAt.Add(time.Minute) },
			"clearance", release.Fail, "The line was cleared after packing had started",
		},
		{
			"packing without a start", func(e *release.Evidence) { e.Clearance.PackedAt = time.Time{} },
			"clearance", release.Fail, "The start of packing is not recorded",
		},
		{
			"packaging without a lot",
			func(e *release.Evidence) {
				e.Packaging = release.Read(release.Packaged{Name: "Jar", Lots: []string{" "}, Issued: dec("4"), Used: dec("4")})
			},
			"packaging", release.Fail, "Jar has no lot",
		},
		{
			"packaging that nothing was used of",
			func(e *release.Evidence) {
				e.Packaging = release.Read(release.Packaged{Name: "Jar", Lots: []string{"J-1"}, Issued: dec("4"), Returned: dec("4")})
			},
			"packaging", release.Fail, "Jar: nothing is recorded as used",
		},
		{
			"a label missing",
			func(e *release.Evidence) {
				e.Packaging = release.Read(release.Packaged{
					Name: "Label", Lots: []string{"L-1"}, Issued: dec("50"), Used: dec("47"), Spoiled: dec("1"), Returned: dec("1"),
				})
			},
			"packaging", release.Fail, "Label: 50 handed out, 47 used + 1 spoiled + 1 put back; 1 not accounted for",
		},
		{
			"more labels used than issued, explained",
			func(e *release.Evidence) {
				e.Packaging = release.Read(release.Packaged{
					Name: "Label", Lots: []string{"L-1"}, Issued: dec("46"), Used: dec("47"), Explanation: "miscounted roll",
				})
			},
			"packaging", release.Warn,
			"Label: 46 handed out, 47 used + 0 spoiled + 0 put back; 1 more than were handed out; explained: miscounted roll",
		},
		{
			"film beyond what is allowed of it",
			func(e *release.Evidence) {
				e.Packaging = release.Read(release.Packaged{Name: "Film", Lots: []string{"F-1"}, Issued: dec("200"), Used: dec("195.9"), LimitPct: dec("2")})
			},
			"packaging", release.Fail, "Film: 200 handed out, 195.9 used + 0 spoiled + 0 put back; 4.1 not accounted for",
		},
		{
			"labels without lots, one gone",
			func(e *release.Evidence) {
				e.Packaging = release.Read(release.Packaged{Name: "Labels", NoLots: true, Issued: dec("11"), Used: dec("10")})
			},
			"packaging", release.Fail, "Labels: 11 handed out, 10 used + 0 spoiled + 0 put back; 1 not accounted for",
		},
		{
			"the label not ticked", func(e *release.Evidence) { e.Label.Ticked = false },
			"label", release.Fail, "Nobody has checked the label",
		},
		{
			"the label ticked by nobody", func(e *release.Evidence) { e.Label.By = "" },
			"label", release.Fail, "Nobody has checked the label",
		},
		{
			"no specimen", func(e *release.Evidence) { e.Label.Specimen = "" },
			"label", release.Fail, "There is no specimen of the label",
		},
		{
			"a scale overdue",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{Name: "Bench scale", CheckDue: "2026-03-13", UsedOn: "2026-03-14"})
			},
			"equipment", release.Warn, "Bench scale was used on 14 Mar 2026; its check was due on 13 Mar 2026",
		},
		{
			"a scale without a date",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{Name: "Bench scale", UsedOn: "2026-03-14"})
			},
			"equipment", release.Warn, "Bench scale has no date for its next check",
		},
		{
			"a scale used on no day",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{Name: "Bench scale", CheckDue: "2026-03-14"})
			},
			"equipment", release.Warn, "Bench scale: whether its check was in date is not known",
		},
		{
			"a scale that was never checked",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{Name: "Bench scale", Never: true, UsedOn: "2026-03-14"})
			},
			"equipment", release.Warn, "Bench scale was used and had never been checked",
		},
		{
			"a scale used after its check failed",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{Name: "Bench scale", CheckDue: "2026-04-12", UsedOn: "2026-03-14", FailedOn: "2026-03-12"})
			},
			"equipment", release.Warn, "Bench scale failed its last check on 12 Mar 2026 and was used all the same, last on 14 Mar 2026",
		},
		{
			"a scale whose next check failed",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{Name: "Bench scale", CheckDue: "2026-03-31", UsedOn: "2026-03-14", FailedOn: "2026-03-30", FailedAfter: true})
			},
			"equipment", release.Warn, "Bench scale was used on 14 Mar 2026 and failed its next check on 30 Mar 2026: nobody knows whether it was right",
		},
		{
			"a thing that needs no check and failed one",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{Name: "Steel pot", NoCheck: true, UsedOn: "2026-03-14", FailedOn: "2026-03-12"})
			},
			"equipment", release.Warn, "Steel pot failed its last check on 12 Mar 2026 and was used all the same, last on 14 Mar 2026",
		},
		{
			"a failed check on a day that cannot be read",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{Name: "Steel pot", NoCheck: true, UsedOn: "2026-03-14", FailedOn: "last week"})
			},
			"equipment", release.Warn, "Steel pot failed a check; when is not known",
		},
		{
			"no equipment named in a workshop that keeps some",
			func(e *release.Evidence) {
				e.Equipment = release.Read(release.Equipment{NoneNamed: true})
			},
			"equipment", release.Warn, "No equipment is named",
		},
		{
			"a weighing written late", func(e *release.Evidence) { e.Late = release.Read(release.Late{Name: "Olive oil, 803.2 g"}) },
			"late", release.Warn, "Olive oil, 803.2 g was written late",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			e := bath()
			tt.change(&e)
			var spoke []release.Condition
			for _, c := range release.Conditions(e) {
				if c.State != release.OK {
					c.Name = ""
					spoke = append(spoke, c)
				}
			}
			want := []release.Condition{{Key: tt.key, State: tt.state, Words: tt.words}}
			if diff := cmp.Diff(want, spoke); diff != "" {
				t.Errorf("what is not ok (-want +got):\n%s", diff)
			}
		})
	}
}

func TestWhatAFormulaDoesNotAskForIsNoFault(t *testing.T) {
	t.Parallel()
	e := bath()
	e.Inputs = release.Read(release.Input{Kind: release.Untracked, Code: "spring", Name: "Water"})
	e.Steps = release.Read[release.Step]()
	e.Controls = release.Read[release.Control]()
	e.Packaging = release.Read[release.Packaged]()
	e.Cure = release.Cure{NotAsked: true}
	e.Deviations = release.Read(release.Deviation{Name: "Clay added", Decision: release.Accept})
	got := map[string]string{}
	for _, c := range release.Conditions(e) {
		if c.State != release.OK {
			t.Errorf("%s: %s", c.Key, c.Words)
		}
		got[c.Key] = c.Words
	}
	for key, want := range map[string]string{
		"lots":       "Only materials that have no lots were used",
		"steps":      "The formula asks for no steps",
		"controls":   "The formula asks for no controls",
		"packaging":  "The product has no packaging",
		"cure":       "The formula asks for no cure",
		"deviations": "1 deviation, decided and accepted",
	} {
		if got[key] != want {
			t.Errorf("%s says %q, want %q", key, got[key], want)
		}
	}
}

func TestBulkAsksForNothingThatOnlyAPackingHas(t *testing.T) {
	t.Parallel()
	e := bath()
	e.Subject = release.Bulk
	e.Cure, e.BestBefore, e.Clearance, e.Label = release.Cure{}, release.BestBefore{}, release.Clearance{}, release.Label{}
	e.Packaging = release.List[release.Packaged]{}
	e.Yield.Good = 0
	conds := release.Conditions(e)
	if n := release.Open(conds); n != 0 {
		t.Errorf("Open = %d, want 0: %+v", n, conds)
	}
	e.Yield.Measured = false
	if diff := cmp.Diff([]string{"yield"}, keys(release.Conditions(e), release.Fail)); diff != "" {
		t.Errorf("failing without a weight (-want +got):\n%s", diff)
	}
}

func TestARejectedInputAlwaysStopsARelease(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		decision := rapid.SampledFrom([]release.Decision{release.Undecided, release.Accept, release.Reject, "whatever"})
		input := rapid.Custom(func(t *rapid.T) release.Input {
			return release.Input{
				Kind: rapid.SampledFrom([]string{release.Lot, release.Batch}).Draw(t, "kind"), Code: "X-1", Name: "Oil",
				State:  rapid.SampledFrom([]string{release.Released, release.Quarantined}).Draw(t, "state"),
				UsedOn: "2026-03-14", Deviation: decision.Draw(t, "decision"),
			}
		})
		rows := rapid.SliceOfN(input, 0, 5).Draw(t, "inputs")
		bad := input.Draw(t, "bad")
		bad.State = rapid.SampledFrom([]string{release.Rejected, release.Recalled}).Draw(t, "bad state")
		at := rapid.IntRange(0, len(rows)).Draw(t, "at")
		e := bath()
		e.Inputs = release.Read(append(append(append([]release.Input{}, rows[:at]...), bad), rows[at:]...)...)
		if diff := cmp.Diff([]string{"lots"}, keys(release.Conditions(e), release.Fail)); diff != "" {
			t.Fatalf("failing (-want +got):\n%s", diff)
		}
	})
}

func TestEvidenceTellsAnEmptyListFromOneNeverRead(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name string
		list release.List[release.Late]
		want string
	}{
		{"never read", release.List[release.Late]{}, "null"},
		{"read, nothing there", release.Read[release.Late](), "[]"},
		{"read", release.Read(release.Late{Name: "Oil"}), `[{"Name":"Oil"}]`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, err := json.Marshal(tt.list)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, string(got)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
