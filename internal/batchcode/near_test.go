package batchcode_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/batchcode"
)

func TestNearKeys(t *testing.T) {
	t.Parallel()
	for key, want := range map[string][]string{
		"":      {""},
		"A":     {"A", ""},
		"AAB":   {"AAB", "AB", "AA"},
		"AB0A":  {"AB0A", "B0A", "A0A", "ABA", "AB0"},
		"ABAB":  {"ABAB", "BAB", "AAB", "ABB", "ABA"},
		"11101": {"11101", "1101", "1111", "1110"},
	} {
		if diff := cmp.Diff(want, batchcode.Deletions(key)); diff != "" {
			t.Errorf("%q (-want +got)\n%s", key, diff)
		}
	}
	if got := batchcode.Deletions(strings.Repeat("AB", 5000)); len(got) != 1 {
		t.Errorf("a pasted page has %d near-keys", len(got))
	}
	if got := batchcode.Deletions("ABCDEFGHJKMNPQRSTUVWX"); len(got) != 22 {
		t.Errorf("the longest code with one character too many has %d near-keys", len(got))
	}
}

func TestNearKeysComeOnce(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		keys := batchcode.Deletions(rapid.StringMatching(`[01AB]{0,12}`).Draw(t, "key"))
		slices.Sort(keys)
		if len(slices.Compact(slices.Clone(keys))) != len(keys) {
			t.Errorf("twice in %q", keys)
		}
	})
}

// everySlip are all codes that one wrong, missing, extra or swapped character makes of the letters and digits
// of a code.
func everySlip(code string) []string {
	text := strings.Map(func(r rune) rune {
		if strings.ContainsRune(alphabet, r) {
			return r
		}
		return -1
	}, code)
	var all []string
	for i := 0; i <= len(text); i++ {
		for _, c := range alphabet {
			all = append(all, text[:i]+string(c)+text[i:])
			if i < len(text) {
				all = append(all, text[:i]+string(c)+text[i+1:])
			}
		}
		if i < len(text) {
			all = append(all, text[:i]+text[i+1:])
		}
		if i+1 < len(text) {
			all = append(all, text[:i]+string(text[i+1])+string(text[i])+text[i+2:])
		}
	}
	return all
}

func TestEverySlipOfOneCharacterIsFound(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		_, code := made(t)
		stored := make(map[string]bool)
		for _, key := range batchcode.Deletions(batchcode.Fold(code)) {
			stored[key] = true
		}
		for _, typed := range everySlip(code) {
			if !slices.ContainsFunc(batchcode.Deletions(batchcode.Fold(typed)), func(key string) bool { return stored[key] }) {
				t.Errorf("%s typed as %s shares no near-key", code, typed)
			}
			if !batchcode.Near(code, typed) || !batchcode.Near(typed, code) {
				t.Errorf("%s typed as %s is not near", code, typed)
			}
			if got := batchcode.Rank(typed, []string{code}); len(got) != 1 {
				t.Errorf("%s typed as %s is not ranked", code, typed)
			}
		}
	})
}

func TestTwoSlipsAreNotNear(t *testing.T) {
	t.Parallel()
	for name, pair := range map[string][2]string{
		"two wrong":              {"OB-26305-01S", "OB-27305-02S"},
		"two missing":            {"OB-26305-01S", "OB-2305-1S"},
		"one wrong, one missing": {"OB-26305-01S", "OB-2705-01S"},
		"swapped over another":   {"OB-26305-01S", "OB-23605-10S"},
		"neighbours two apart":   {"ABCD", "CBAD"},
		"two side by side":       {"ABCD", "AXYD"},
		"a shared near-key only": {"ABC", "BCA"},
		"nothing at all":         {"", ""},
		"nothing and one":        {"-", "A"},
	} {
		if batchcode.Near(pair[0], pair[1]) {
			t.Errorf("%s: %s and %s are near", name, pair[0], pair[1])
		}
	}
}

func TestCandidatesAreRanked(t *testing.T) {
	t.Parallel()
	codes := []string{
		"OB-26305-12S",  // another batch, two slips
		"OB-26305-0S1",  // swapped
		"OB-26305-01T",  // wrong
		"0B-26305-01S",  // look-alike
		"OB-26305-01S",  // exact
		"OB-26305-1S",   // missing
		"OB-26305-01AS", // extra
		"ob2630501s",    // exact, written otherwise
		"OB-26305-01T",  // the same again
		"BO-26305-01S",  // swapped
	}
	want := []string{
		"OB-26305-01S", "ob2630501s",
		"0B-26305-01S",
		"BO-26305-01S", "OB-26305-0S1",
		"OB-26305-01AS", "OB-26305-01T", "OB-26305-1S",
	}
	if diff := cmp.Diff(want, batchcode.Rank("ob 26305 01 s", codes)); diff != "" {
		t.Error(diff)
	}
	slices.Reverse(codes)
	if diff := cmp.Diff(want, batchcode.Rank("ob 26305 01 s", codes)); diff != "" {
		t.Errorf("in another order: %s", diff)
	}
	if got := batchcode.Rank("", []string{"A"}); got != nil {
		t.Errorf("nothing asked for finds %q", got)
	}
}
