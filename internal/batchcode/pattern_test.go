package batchcode_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

func pattern(t rapid.TB, text string) batchcode.Pattern {
	t.Helper()
	p, err := batchcode.ParsePattern(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// patterns cover tokens, orders, separators and none.
var patterns = []string{
	batchcode.DefaultPattern,
	"{letters}-{yyddd}-{nn}",
	"{letters}{yymmdd}{n}{check}",
	"{yymmdd}/{nnn}",
	"{nn}.{yyddd}{letters}{check}",
	"Q{letters}-{yymmdd}{nn}",
	"{letters}L0-{yyddd}-{n}-{check}",
}

func TestTheDefaultCodeHasTwelveCharacters(t *testing.T) {
	t.Parallel()
	p := pattern(t, batchcode.DefaultPattern)
	code, err := p.Code("OB", day.Must("2026-11-01"), 1)
	if err != nil {
		t.Fatal(err)
	}
	if code != "OB-26305-01S" || len(code) != 12 || p.Length(2) != 12 || !p.HasCheck() {
		t.Errorf("got %q, length %d", code, p.Length(2))
	}
}

func TestCodesAsMade(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		pattern, letters, made string
		seq                    int
		want                   string
	}{
		"day of a leap year":       {"{letters}-{yyddd}-{n}", "A", "2024-12-31", 1, "A-24366-1"},
		"first day of a century":   {"{letters}-{yyddd}-{n}", "A", "2100-01-01", 1, "A-00001-1"},
		"month and day":            {"{letters}{yymmdd}{nnn}", "ROSE", "2027-04-03", 7, "ROSE270403007"},
		"the sequence outgrows it": {"{letters}-{yyddd}-{nn}", "OB", "2026-11-01", 100, "OB-26305-100"},
		"no letters":               {"{yymmdd}/{nn}", "", "2027-04-03", 7, "270403/07"},
		"letters not asked for":    {"{yymmdd}/{nn}", "not these", "2027-04-03", 7, "270403/07"},
		"all literals":             {"Q1-{letters}.{yyddd}/{n}", "ZZ", "2027-01-09", 3, "Q1-ZZ.27009/3"},
		"grown to twenty":          {"AAAA-{letters}-{yyddd}{nnn}", "QRST", "2027-01-09", 12345, "AAAA-QRST-2700912345"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := pattern(t, tc.pattern)
			got, err := p.Code(tc.letters, day.Must(tc.made), tc.seq)
			if err != nil || got != tc.want {
				t.Errorf("got %q, %v; want %q", got, err, tc.want)
			}
			if p.String() != tc.pattern {
				t.Errorf("the pattern is written back as %q", p)
			}
		})
	}
}

func TestCodesThatCannotBeMade(t *testing.T) {
	t.Parallel()
	today := day.Must("2027-01-09")
	for name, tc := range map[string]struct {
		letters string
		made    day.Day
		seq     int
		want    string
	}{
		"no letters":       {"", today, 1, "code letters are one to four of A to Z"},
		"five letters":     {"ABCDE", today, 1, "code letters are one to four of A to Z"},
		"lower case":       {"ob", today, 1, "code letters are one to four of A to Z"},
		"a digit":          {"B2", today, 1, "code letters are one to four of A to Z"},
		"an accent":        {"É", today, 1, "code letters are one to four of A to Z"},
		"no day":           {"OB", day.Day{}, 1, "a batch code needs the date of making"},
		"sequence 0":       {"OB", today, 0, "the sequence of the day counts from 1"},
		"sequence too big": {"ABCD", today, 123456789, "a batch code has at most 20 characters, and this one has 21"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := pattern(t, batchcode.DefaultPattern).Code(tc.letters, tc.made, tc.seq)
			if err == nil || err.Error() != tc.want || !fault.Is(err, fault.Invalid) {
				t.Errorf("got %q, %v; want %q", got, err, tc.want)
			}
		})
	}
}

func TestPatternsThatAreRefused(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct{ pattern, want string }{
		"empty":          {"", "the pattern needs the date of making, {yymmdd} or {yyddd}"},
		"no date":        {"{letters}-{nn}", "the pattern needs the date of making, {yymmdd} or {yyddd}"},
		"no sequence":    {"{letters}-{yyddd}", "the pattern needs the sequence of the day, {n}, {nn} or {nnn}; else two batches of a day would be one"},
		"check inside":   {"{letters}-{yyddd}-{check}{nn}", "{check} must come last: it checks all that stands before it"},
		"check, a dash":  {"{letters}-{yyddd}-{nn}{check}-", "{check} must come last: it checks all that stands before it"},
		"two checks":     {"{yyddd}{nn}{check}{check}", "{check} must come last: it checks all that stands before it"},
		"two dates":      {"{yyddd}{yymmdd}{n}", "the pattern holds two dates; one of {yymmdd} and {yyddd} is enough"},
		"two sequences":  {"{yyddd}{n}{nn}", "the pattern holds two sequences; one of {n}, {nn} and {nnn} is enough"},
		"letters twice":  {"{letters}{yyddd}{n}{letters}", "the pattern holds {letters} twice"},
		"unknown token":  {"{yyyy}-{n}", "the pattern cannot hold {yyyy}; there are {letters}, {yymmdd}, {yyddd}, {n}, {nn}, {nnn} and {check}"},
		"not closed":     {"{yyddd}{n", "a { in the pattern is not closed by a }"},
		"closed only":    {"yy}", "the pattern cannot hold 'y' outside braces; A to Z, 0 to 9 and - . / can stand there"},
		"a lower letter": {"{yyddd}b{n}", "the pattern cannot hold 'b' outside braces; A to Z, 0 to 9 and - . / can stand there"},
		"a space":        {"{yyddd} {n}", "the pattern cannot hold ' ' outside braces; A to Z, 0 to 9 and - . / can stand there"},
		"an accent":      {"É{yyddd}{n}", "the pattern cannot hold 'É' outside braces; A to Z, 0 to 9 and - . / can stand there"},
		"19 characters":  {"ABCDEF-{letters}{yyddd}{nn}{check}", "the pattern makes codes of up to 19 characters; 18 are the most, so that a packing letter still fits"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := batchcode.ParsePattern(tc.pattern)
			if err == nil || err.Error() != tc.want || !fault.Is(err, fault.Invalid) {
				t.Errorf("got  %v\nwant %s", err, tc.want)
			}
		})
	}
	if p := pattern(t, "ABCDE-{letters}{yyddd}{nn}{check}"); p.Length(4) != 18 {
		t.Errorf("the longest pattern makes %d characters", p.Length(4))
	}
}

func TestCodesHaveTheShapeOfTheirPattern(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		pattern, code string
		want          bool
	}{
		"as made":                 {batchcode.DefaultPattern, "OB-26305-01S", true},
		"as read out":             {batchcode.DefaultPattern, "ob 26305 01 s", true},
		"look-alikes":             {batchcode.DefaultPattern, "0B-263O5-OIS", true},
		"another check character": {batchcode.DefaultPattern, "OB-26305-01T", true},
		"four letters":            {batchcode.DefaultPattern, "ROSE-26305-01T", true},
		"a packing letter":        {batchcode.DefaultPattern, "OB-26305-01AS", true},
		"two packing letters":     {batchcode.DefaultPattern, "OB-26305-01ABS", true},
		"a hundredth batch":       {batchcode.DefaultPattern, "OB-26305-100S", true},
		"five letters":            {batchcode.DefaultPattern, "ROSES-26305-01S", false},
		"three packing letters":   {batchcode.DefaultPattern, "OB-26305-01ABCS", false},
		"O is no packing letter":  {batchcode.DefaultPattern, "OB-26305-01SOS", false},
		"a padded sequence":       {batchcode.DefaultPattern, "OB-26305-0011", false},
		"a letter in the date":    {batchcode.DefaultPattern, "OB-26X05-01S", false},
		"a digit missing":         {batchcode.DefaultPattern, "OB-2630-01S", false},
		"empty":                   {batchcode.DefaultPattern, "", false},
		"too long for any":        {"{letters}{yyddd}{n}", "A" + strings.Repeat("1", 30), false},
		"no check character":      {"{letters}-{yyddd}-{nn}", "OB-26305-01", true},
		"none, a packing letter":  {"{letters}-{yyddd}-{nn}", "OB-26305-01A", true},
		"literal":                 {"L0-{yymmdd}-{n}", "LO-270403-1", true},
		"literal, look-alike":     {"L0-{yymmdd}-{n}", "10 270403 l", true},
		"another literal":         {"L0-{yymmdd}-{n}", "M0-270403-1", false},
		"letters at the end":      {"{nn}.{yyddd}{letters}", "01.27093ROSE", true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := pattern(t, tc.pattern).Matches(tc.code); got != tc.want {
				t.Errorf("%s matches %q: got %v", tc.pattern, tc.code, got)
			}
		})
	}
	if (batchcode.Pattern{}).Matches("") || (batchcode.Pattern{}).HasCheck() {
		t.Error("the zero pattern matches or has a check character")
	}
}

// made draws a code of one of the patterns, of the batch itself or a later packing.
func made(t *rapid.T) (p batchcode.Pattern, code string) {
	p = pattern(t, rapid.SampledFrom(patterns).Draw(t, "pattern"))
	letters := rapid.StringMatching(`[A-Z]{1,4}`).Draw(t, "letters")
	on := day.Must("2000-01-01").AddDays(rapid.IntRange(0, 60000).Draw(t, "day"))
	code, err := p.Code(letters, on, rapid.IntRange(1, 120).Draw(t, "seq"))
	if err != nil {
		t.Fatal(err)
	}
	return p, batchcode.PackingCode(code, rapid.SampledFrom([]int{1, 1, 2, 9, 24, 25, 553}).Draw(t, "packing"), p.HasCheck())
}

// blur changes what a reader cannot tell apart.
func blur(t *rapid.T, code string) string {
	alike := map[rune]string{'0': "0Oo", 'O': "O0o", '1': "1IiLl", 'I': "I1lL", 'L': "L1iI"}
	return strings.Map(func(r rune) rune {
		if choices, ok := alike[r]; ok {
			return rapid.SampledFrom([]rune(choices)).Draw(t, "blurred")
		}
		return r
	}, code)
}

func TestEveryCodeMadeIsTakenForWhatItIs(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p, code := made(t)
		if err := batchcode.Validate(code); err != nil {
			t.Error(err)
		}
		if p.HasCheck() && !batchcode.Valid(code) {
			t.Errorf("%s is not valid", code)
		}
		read := strings.ToLower(blur(t, code))
		if !p.Matches(code) || !p.Matches(read) {
			t.Errorf("%s, read as %q, does not match %s", code, read, p)
		}
		if batchcode.Mistyped(read, []batchcode.Pattern{p}) {
			t.Errorf("%s, read as %q, is called mistyped", code, read)
		}
		if batchcode.Fold(read) != batchcode.Fold(code) {
			t.Errorf("%s, read as %q, folds differently", code, read)
		}
	})
}

func TestAWrongCharacterThatKeepsTheShapeIsMistyped(t *testing.T) {
	t.Parallel()
	p := pattern(t, batchcode.DefaultPattern)
	rapid.Check(t, func(t *rapid.T) {
		code, err := p.Code("RS", day.Must("2026-01-01").AddDays(rapid.IntRange(0, 3000).Draw(t, "day")), rapid.IntRange(1, 99).Draw(t, "seq"))
		if err != nil {
			t.Fatal(err)
		}
		// Only digits behind the letters: these have one reading each, so that the standard's promise holds as
		// it stands.
		at := rapid.SampledFrom([]int{3, 4, 5, 6, 7, 9, 10}).Draw(t, "at")
		other := byte(rapid.SampledFrom([]rune("0123456789")).Filter(func(r rune) bool { return byte(r) != code[at] }).Draw(t, "other"))
		// A check character that has look-alikes may be right in another of them.
		if strings.IndexByte("0O1IL", code[len(code)-1]) >= 0 {
			return
		}
		typed := code[:at] + string(other) + code[at+1:]
		if !batchcode.Mistyped(typed, []batchcode.Pattern{p}) {
			t.Errorf("%s typed as %s is not called mistyped", code, typed)
		}
	})
}

func TestMistypedIsSaidOnlyOfTheWorkshopsOwnPatterns(t *testing.T) {
	t.Parallel()
	checked, plain, plainThree := pattern(t, batchcode.DefaultPattern), pattern(t, "{letters}-{yyddd}-{nn}"), pattern(t, "{letters}-{yyddd}-{nnn}")
	for name, tc := range map[string]struct {
		query string
		used  []batchcode.Pattern
		want  bool
	}{
		"right":                               {"OB-26305-01S", []batchcode.Pattern{checked}, false},
		"right with a letter O for 0":         {"OB-263O5-O1S", []batchcode.Pattern{checked}, false},
		"right with a 0 for the letter O":     {"0B-26305-01S", []batchcode.Pattern{checked}, false},
		"wrong digit":                         {"OB-26306-01S", []batchcode.Pattern{checked}, true},
		"wrong digit, read aloud":             {"ob 26306 o1 s", []batchcode.Pattern{checked}, true},
		"wrong check character":               {"OB-26305-01T", []batchcode.Pattern{checked}, true},
		"another shape":                       {"LOT 77", []batchcode.Pattern{checked}, false},
		"no pattern used":                     {"OB-26305-01T", nil, false},
		"a pattern without check":             {"OB-26305-01T", []batchcode.Pattern{plain}, false},
		"both used, no plain code looks so":   {"OB-26305-01T", []batchcode.Pattern{plain, checked}, true},
		"both used, a plain code looks so":    {"OB-26305-012", []batchcode.Pattern{checked, plainThree}, false},
		"the same without that plain pattern": {"OB-26305-012", []batchcode.Pattern{checked}, true},
		"empty":                               {"", []batchcode.Pattern{checked}, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := batchcode.Mistyped(tc.query, tc.used); got != tc.want {
				t.Errorf("got %v", got)
			}
		})
	}
}

func TestPackingCodes(t *testing.T) {
	t.Parallel()
	var got []string
	for _, n := range []int{0, 1, 2, 3, 9, 10, 12, 13, 24, 25, 26, 48, 553} {
		got = append(got, batchcode.PackingCode("OB-26305-01", n, false))
	}
	want := []string{"OB-26305-01", "OB-26305-01", "OB-26305-01A", "OB-26305-01B", "OB-26305-01H", "OB-26305-01J", "OB-26305-01M",
		"OB-26305-01N", "OB-26305-01Z", "OB-26305-01AA", "OB-26305-01AB", "OB-26305-01BA", "OB-26305-01ZZ"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if got := batchcode.PackingCode("", 2, true); got != "" {
		t.Errorf("of no batch: %q", got)
	}
	if got := batchcode.PackingCode("OB-26305-01S", 1, true); got != "OB-26305-01S" {
		t.Errorf("the first: %q", got)
	}
	second := batchcode.PackingCode("OB-26305-01S", 2, true)
	if !strings.HasPrefix(second, "OB-26305-01A") || len(second) != 13 || !batchcode.Valid(second) {
		t.Errorf("the second: %q", second)
	}
}

func TestPackingCodesOfABatchDiffer(t *testing.T) {
	t.Parallel()
	for _, hasCheck := range []bool{false, true} {
		seen := make(map[string]int)
		for n := 1; n <= 553; n++ {
			key := batchcode.Fold(batchcode.PackingCode("OB-26305-01S", n, hasCheck))
			if before, taken := seen[key]; taken {
				t.Errorf("packings %d and %d are both %s", before, n, key)
			}
			seen[key] = n
		}
	}
}
