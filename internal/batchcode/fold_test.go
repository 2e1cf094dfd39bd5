package batchcode_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
)

func TestFoldMakesOneOfWhatLooksAlike(t *testing.T) {
	t.Parallel()
	for code, want := range map[string]string{
		"OB-26305-01S":    "0B2630501S",
		"ob 26305 01s":    "0B2630501S",
		"0B/263O5.OlS":    "0B2630501S",
		"ＯＢ－２６３０５":        "0B26305",
		"IL-1il":          "11111",
		"é":               "",
		"e\u0301x":        "X",
		"":                "",
		" -./":            "",
		"lavender_bar(2)": "1AVENDERBAR2",
	} {
		if got := batchcode.Fold(code); got != want {
			t.Errorf("%q: got %q, want %q", code, got, want)
		}
	}
}

func TestFoldingTwiceIsFoldingOnce(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		once := batchcode.Fold(text)
		if twice := batchcode.Fold(once); twice != once {
			t.Errorf("%q folds to %q and that to %q", text, once, twice)
		}
		if strings.ContainsAny(once, "OIL") || strings.Trim(once, alphabet) != "" {
			t.Errorf("%q folds to %q", text, once)
		}
	})
}

func TestCodesThatABarcodeCanHold(t *testing.T) {
	t.Parallel()
	// The 82 characters of GS1 application identifier (10), GS1 General Specifications; as in
	// gs1-syntax-dictionary, lint_cset82.c.
	const set82 = "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
	if len(set82) != 82 {
		t.Fatalf("the set holds %d characters", len(set82))
	}
	for r := rune(0); r < 0x250; r++ {
		err := batchcode.Validate("A" + string(r))
		if want := strings.ContainsRune(set82, r); want != (err == nil) {
			t.Errorf("character %q: got %v", r, err)
		}
		if err != nil && !fault.Is(err, fault.Invalid) {
			t.Errorf("character %q: %v is no fault", r, err)
		}
	}
	for code, want := range map[string]string{
		"":                      "write a batch code",
		"OB 26305":              "a batch code cannot hold a space; letters, digits and - . / are safe",
		"OB#1":                  "a batch code cannot hold the character '#'; letters, digits and - . / are safe",
		"ABCDEFGHIJ0123456789X": "a batch code has at most 20 characters, and this one has 21",
		"--":                    "a batch code needs a letter or digit",
	} {
		if err := batchcode.Validate(code); err == nil || err.Error() != want {
			t.Errorf("%q: got %v, want %q", code, err, want)
		}
	}
	if err := batchcode.Validate("ABCDEFGHIJ0123456789"); err != nil {
		t.Errorf("twenty characters: %v", err)
	}
}
