package release_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/release"
)

// gift is a set of the invented Quillmoor Workshop that nothing is wrong with.
func gift() release.Evidence {
	e := bath()
	e.Subject = release.Set
	e.Inputs = release.Read(release.Input{Kind: release.Batch, Code: "OB-26305-01S", Name: "Oat bar", State: release.Released})
	e.Parts = release.Read(release.Part{Name: "Oat bar", Needed: 24, Used: 24})
	// What only a making has is not looked at.
	e.Steps, e.Controls, e.Climate, e.Cure, e.Yield = release.List[release.Step]{}, release.List[release.Control]{}, release.Climate{}, release.Cure{}, release.Yield{}
	return e
}

func TestASetIsAskedForUnitsInAndOutAndNothingOfAMaking(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		change func(*release.Evidence)
		fails  []string
		words  string
	}{
		"nothing wrong": {func(*release.Evidence) {}, nil, "24 units went in, as many as the sets hold"},
		"too few taken": {func(e *release.Evidence) { e.Parts = release.Read(release.Part{Name: "Oat bar", Needed: 24, Used: 23}) }, []string{"parts"}, "Oat bar: 23 units taken, the sets hold 24"},
		"the difference is accepted": {func(e *release.Evidence) {
			e.Parts = release.Read(release.Part{Name: "Oat bar", Needed: 24, Used: 25, Deviation: release.Accept})
		}, nil, "Oat bar: 25 units taken, the sets hold 24; accepted as a deviation"},
		"no parts at all": {func(e *release.Evidence) { e.Parts = release.Read[release.Part]() }, []string{"parts"}, "Nothing says what the set is put together from"},
		"a part of none":  {func(e *release.Evidence) { e.Parts = release.Read(release.Part{Name: "Oat bar"}) }, []string{"parts"}, "Oat bar: 0 units taken, the sets hold 0"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e := gift()
			tc.change(&e)
			conds := release.Conditions(e)
			if diff := cmp.Diff(tc.fails, keys(conds, release.Fail)); diff != "" {
				t.Errorf("failing (-want +got):\n%s", diff)
			}
			if conds[1].Key != release.KeyParts || conds[1].Words != tc.words {
				t.Errorf("%s: %q, want %q", conds[1].Key, conds[1].Words, tc.words)
			}
		})
	}
}

func TestUnitsOnHoldWaitForADecisionAndSignedReprocessingIsNamed(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		input release.Input
		state release.State
		words string
	}{
		"on hold":  {release.Input{Kind: release.Batch, Code: "OB-1", Name: "Oat bar", State: release.Held}, release.Fail, "Oat bar OB-1 is on hold"},
		"accepted": {release.Input{Kind: release.Batch, Code: "OB-1", Name: "Oat bar", State: release.Held, Deviation: release.Accept}, release.Warn, "Oat bar OB-1 is on hold; accepted as a deviation"},
		"signed": {release.Input{Kind: release.Batch, Code: "OB-1", Name: "Oat bar", State: release.Released, Signed: "Ann Quill, 4 May 2026"}, release.OK,
			"1 lot or batch used, released and in date\nOat bar OB-1 worked in again, as signed for by Ann Quill, 4 May 2026"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e := bath()
			e.Inputs = release.Read(tc.input)
			if got := release.Conditions(e)[0]; got.State != tc.state || got.Words != tc.words {
				t.Errorf("%s %q, want %s %q", got.State, got.Words, tc.state, tc.words)
			}
		})
	}
}
