package batchcode_test

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
)

const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// rows reads a table of ../../testdata/check-characters without its heading.
func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/check-characters/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 2 {
		t.Fatalf("%s holds no rows", name)
	}
	return all[1:]
}

func mustCheck(t *testing.T, body string) byte {
	t.Helper()
	c, err := batchcode.Check(body)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestPublishedCheckCharacters(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "mod-37-36.csv") {
		t.Run(row[0], func(t *testing.T) {
			t.Parallel()
			if got := string(mustCheck(t, row[0])); got != row[1] {
				t.Errorf("got %s, want %s", got, row[1])
			}
			if !batchcode.Valid(row[0] + row[1]) {
				t.Error("body and check character together are not valid")
			}
			for _, c := range alphabet {
				if string(c) != row[1] && batchcode.Valid(row[0]+string(c)) {
					t.Errorf("valid with %c too", c)
				}
			}
		})
	}
}

func TestCasePunctuationAndSpacesDoNotCount(t *testing.T) {
	t.Parallel()
	for name, code := range map[string]string{
		"as printed in ISAN":  "1881-66C7-3420-6541-Y",
		"lower case":          "188166c734206541y",
		"spaces, a full stop": " 1881 66C7 3420 6541 Y. ",
		"full width":          "１８８１６６Ｃ７３４２０６５４１Ｙ",
	} {
		if !batchcode.Valid(code) {
			t.Errorf("%s: %q is not valid", name, code)
		}
	}
	for name, code := range map[string]string{
		"empty":             "",
		"punctuation":       "--",
		"nothing to check":  "Q",
		"letter O for 0":    "O000-0000-D07A-0090-Q",
		"an accent":         "1881-66C7-3420-6541-Ý",
		"accent in between": "18É81-66C7-3420-6541-Y",
	} {
		if batchcode.Valid(code) {
			t.Errorf("%s: %q is valid", name, code)
		}
	}
}

func TestNoCheckCharacterWithoutLettersAndDigits(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]string{
		"":     "there is no letter or digit to make a check character from",
		"-/.":  "there is no letter or digit to make a check character from",
		"OB-é": "a check character counts the letters A to Z and digits only, not É",
		"٣":    "a check character counts the letters A to Z and digits only, not ٣",
	} {
		if c, err := batchcode.Check(body); err == nil || err.Error() != want || !fault.Is(err, fault.Invalid) {
			t.Errorf("%q: got %q, %v; want %q", body, c, err, want)
		}
	}
}

// Each of the 36 one-character bodies leaves the check in another of its 36 states, and the check character
// tells the states apart; so all states are covered by putting each character first, and two strings are
// confused exactly where their check characters are the same.
func TestExactlyTheDocumentedErrorsAreMissed(t *testing.T) {
	t.Parallel()
	first := make(map[byte]bool)
	for _, c := range alphabet {
		first[mustCheck(t, string(c))] = true
	}
	if len(first) != 36 {
		t.Fatalf("one-character bodies reach %d states, so the enumeration is not complete", len(first))
	}
	type tally struct{ missed, of int }
	got := map[string]*tally{}
	for _, row := range rows(t, "mod-37-36-rates.csv") {
		got[row[0]] = &tally{}
	}
	count := func(name string, a, b byte) {
		got[name].of++
		if a == b {
			got[name].missed++
		}
	}
	for _, p := range alphabet {
		check := func(s string) byte { return mustCheck(t, string(p)+s) }
		for _, a := range alphabet {
			single := check(string(a))
			if c := rune(single); c != a {
				count("swap with the check character", byte(a), check(string(c)))
			}
			for _, b := range alphabet {
				if a == b {
					continue
				}
				count("single substitution", single, check(string(b)))
				count("adjacent transposition", check(string(a)+string(b)), check(string(b)+string(a)))
				count("twin", check(string(a)+string(a)), check(string(b)+string(b)))
				for _, m := range alphabet {
					count("jump transposition", check(string(a)+string(m)+string(b)), check(string(b)+string(m)+string(a)))
				}
			}
		}
	}
	for _, row := range rows(t, "mod-37-36-rates.csv") {
		have := []string{strconv.Itoa(got[row[0]].missed), strconv.Itoa(got[row[0]].of)}
		if strings.Join(have, "/") != strings.Join(row[1:], "/") {
			t.Errorf("%s: missed %s, documented %s", row[0], strings.Join(have, " of "), strings.Join(row[1:], " of "))
		}
	}
}
