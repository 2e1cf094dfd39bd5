package epcis_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/epcis"
	"example.org/stillroom/internal/fault"
)

// Published numbers: GS1's worked example of a check digit, 629104150021 and 3 (gs1.org, "How to calculate a check digit
// manually", as repeated in documentation of several check digit libraries); the GTIN of GS1's Digital Link examples; and GTIN-8,
// -12 and -14 that follow from them by leading zeros, which do not change the sum.
func TestACheckDigitTellsAMistypedGTIN(t *testing.T) {
	t.Parallel()
	for _, good := range []string{"6291041500213", "06291041500213", "09521234543213", "9521234543213"} {
		if err := epcis.CheckGTIN(good); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for bad, words := range map[string]string{
		"6291041500214": "does not fit", "6291041500231": "does not fit", "629104150021": "does not fit", "62910416": "does not fit",
		"": "8, 12, 13 or 14", "629104150021 3": "digits only", "٦٢٩١٠٤١٥٠٠٢١٣": "digits only", "006291041500213": "8, 12, 13 or 14",
	} {
		err := epcis.CheckGTIN(bad)
		if !strings.Contains(fault.As(err).Of(epcis.FieldGTIN), words) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// One digit wrong is always found: 3 has an inverse modulo 10.
func TestAnyOneWrongDigitIsFound(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		digits := []byte("6291041500213")
		at := rapid.IntRange(0, len(digits)-1).Draw(t, "at")
		digits[at] = '0' + (digits[at]-'0'+byte(rapid.IntRange(1, 9).Draw(t, "more")))%10
		if epcis.CheckGTIN(string(digits)) == nil {
			t.Fatalf("%s passes", digits)
		}
	})
}

func TestAProductWithAGTINHasADigitalLink(t *testing.T) {
	t.Parallel()
	id := uuid.MustParse("0197f3a0-0000-7000-8000-000000000001")
	for _, tc := range []struct{ name, gtin, code, want string }{
		// The example of GS1's Digital Link Standard (URI Syntax), as also in the documentation of bwipp.
		{"GS1's own example", "09521234543213", "ABC123", "https://id.gs1.org/01/09521234543213/10/ABC123"},
		{"thirteen digits get a zero", "9521234543213", "ABC123", "https://id.gs1.org/01/09521234543213/10/ABC123"},
		{"what a path cannot bear", "9521234543213", "OB/26-1%2", "https://id.gs1.org/01/09521234543213/10/OB%2F26-1%252"},
		{"no GTIN", "", "ABC123", "urn:uuid:0197f3a0-0000-7000-8000-000000000001"},
		{"a code that AI 10 cannot hold", "9521234543213", "Öl 5", "urn:uuid:0197f3a0-0000-7000-8000-000000000001"},
		{"more than 20 characters", "9521234543213", strings.Repeat("A", 21), "urn:uuid:0197f3a0-0000-7000-8000-000000000001"},
		{"a GTIN that is none", "9521234543214", "ABC123", "urn:uuid:0197f3a0-0000-7000-8000-000000000001"},
	} {
		if got := (epcis.Thing{ID: id, Code: tc.code, GTIN: tc.gtin}).Class(); got != tc.want {
			t.Errorf("%s: %s, want %s", tc.name, got, tc.want)
		}
	}
}

// RFC 9562 appendix A.4: www.example.com in the namespace of domain names.
func TestADerivedIDIsAUUIDOfVersion5(t *testing.T) {
	t.Parallel()
	if got := epcis.URN(epcis.Derived(uuid.NameSpaceDNS, "www.example.com")); got != "urn:uuid:2ed6657d-e927-568b-95e1-2665a8aea6a2" {
		t.Error(got)
	}
}
