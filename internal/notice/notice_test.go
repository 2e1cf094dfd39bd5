package notice_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/notice"
)

var facts = notice.Facts{
	Workshop: "Quillmoor Workshop", Reason: "The label names no almond oil.", Hazard: "People with a nut allergy may get a rash or worse.",
	ToDo: "Bring them back to the shop.", Remedy: "A full refund.", Contact: "Freephone 0800 000000\nhelp@quillmoor.example.org",
	Products: []notice.Product{{Name: "Guest bar", Units: []notice.Mark{{Code: "GB-0101", BestBefore: "06/2027"}, {Code: "GB-OIOI"}}}},
	From:     "3 March 2026", To: "9 March 2026", Picture: true,
}

// TestAPublicNoticeHoldsItsElements goes by Article 36 of Regulation (EU) 2023/988 as the package's comment says it was read.
func TestAPublicNoticeHoldsItsElements(t *testing.T) {
	t.Parallel()
	for _, kind := range notice.Kinds {
		text := facts.Draft(kind)
		for _, want := range []string{"Product safety recall", "Guest bar", "GB-0101, best before 06/2027", "GB-OIOI", "3 March 2026 to 9 March 2026", facts.Hazard, facts.ToDo, facts.Remedy, "Freephone 0800 000000", "at once"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s has no %q:\n%s", kind, want, text)
			}
		}
		if soft := notice.Soft(text); len(soft) > 0 {
			t.Errorf("%s says %q", kind, soft)
		}
		if notice.Public(kind) {
			if lacks := notice.Lacks(text, facts); len(lacks) > 0 {
				t.Errorf("%s lacks %q:\n%s", kind, lacks, text)
			}
		}
	}
	bare := notice.Facts{Workshop: "Quillmoor Workshop", Products: facts.Products}
	want := []string{"a picture of the product", "the hazard", "where to turn", "the words in square brackets, which are yours to write"}
	if d := cmp.Diff(want, notice.Lacks(bare.Draft(notice.WebText), bare)); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]string{`the heading "Product safety recall" first`, "the name Guest bar", "the code GB-0101", "the code GB-OIOI", "the hazard", "to stop using it at once", "the remedy: repair, replacement or refund", "where to turn"}, notice.Lacks("Hello", facts)); d != "" {
		t.Error(d)
	}
}

func TestSofteningWordsAreFound(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]string{
		"This voluntary recall is a precaution.":                               {"voluntary", "precaution"},
		"At our own discretion we ask you.":                                    {"discretion"},
		"In very rare cases, and in specific situations, it may burn.":         {"In very rare cases"},
		"No accidents have been reported so far.":                              {"No accidents"},
		"Injuries have not been reported.":                                     {"Injuries have not been reported"},
		"There have been no known injuries.":                                   {"no known injuries"},
		"The oil may cause a rash. Two people were hurt. Rare woods are used.": nil,
	} {
		if d := cmp.Diff(want, notice.Soft(text)); d != "" {
			t.Errorf("%q: %s", text, d)
		}
	}
}
