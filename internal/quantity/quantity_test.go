package quantity_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
)

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func TestNumbersAreReadAsTyped(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct{ text, want string }{
		"whole":                            {"1234", "1234"},
		"zero":                             {"0", "0"},
		"point":                            {"12.5", "12.5"},
		"comma":                            {"12,5", "12.5"},
		"a lone point before three digits": {"1.234", "1.234"},
		"comma, four digits before":        {"1234,567", "1234.567"},
		"comma, two digits behind":         {"1,23", "1.23"},
		"comma, four digits behind":        {"1,2345", "1.2345"},
		"nought comma three":               {"0,250", "0.25"},
		"nothing before the comma":         {",250", "0.25"},
		"nothing before the point":         {".5", "0.5"},
		"English grouping":                 {"1,234.5", "1234.5"},
		"continental grouping":             {"1.234,5", "1234.5"},
		"two commas":                       {"1,234,567", "1234567"},
		"two points":                       {"1.234.567", "1234567"},
		"both, three behind":               {"1,234.567", "1234.567"},
		"space":                            {"1 234.5", "1234.5"},
		"space, comma, three behind":       {"1 234,567", "1234.567"},
		"no-break space":                   {"12\u00a0345", "12345"},
		"thin space":                       {"12\u2009345", "12345"},
		"narrow no-break space":            {"1\u202f234\u202f567.8", "1234567.8"},
		"apostrophe":                       {"1'234'567,8", "1234567.8"},
		"typographic apostrophe":           {"1’234", "1234"},
		"around it spaces":                 {"  7.5\u00a0", "7.5"},
		"minus":                            {"-7.5", "-7.5"},
		"true minus":                       {"\u22127.5", "-7.5"},
		"plus":                             {"+7.5", "7.5"},
		"widest":                           {"999999999999.999999", "999999999999.999999"},
		"leading zeros":                    {"007", "7"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := quantity.Parse(tc.text)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(dec(tc.want), got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestACommaThatCouldBeEitherIsAskedAbout(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"1,234":   "1,234 could mean 1.234 or 1234; write it without the comma",
		"12,000":  "12,000 could mean 12.000 or 12000; write it without the comma",
		"123,456": "123,456 could mean 123.456 or 123456; write it without the comma",
		" -1,500": "-1,500 could mean -1.500 or -1500; write it without the comma",
	} {
		for name, parse := range map[string]func(string) error{
			"Parse":            func(s string) error { _, err := quantity.Parse(s); return err },
			"ParseNonNegative": func(s string) error { _, err := quantity.ParseNonNegative(s); return err },
			"ParsePositive":    func(s string) error { _, err := quantity.ParsePositive(s); return err },
			"ParseWhole":       func(s string) error { _, err := quantity.ParseWhole(s); return err },
		} {
			err := parse(text)
			var ambiguous *quantity.Ambiguous
			if !errors.As(err, &ambiguous) || err.Error() != want {
				t.Errorf("%s(%q): got %T %v, want %q", name, text, err, err, want)
			}
			if !fault.Is(err, fault.Invalid) {
				t.Errorf("%s(%q) is no fault for people", name, text)
			}
		}
	}
}

func TestWhatIsNoNumberIsRefusedInWords(t *testing.T) {
	t.Parallel()
	const (
		no       = " is not a number that can be read here; write it like 1234.5"
		leaveOut = "write the number alone and leave out "
	)
	for name, tc := range map[string]struct{ text, want string }{
		"empty":                 {"", "write a number"},
		"spaces":                {" \u00a0", "write a number"},
		"grams":                 {"12 g", leaveOut + `"g"`},
		"millilitres":           {"12.5ml", leaveOut + `"ml"`},
		"kilograms":             {"1,234 kg", leaveOut + `"kg"`},
		"a full stop, a unit":   {"12. g", leaveOut + `"g"`},
		"per cent":              {"5 %", leaveOut + `"%"`},
		"exponent":              {"1e5", "1e5" + no},
		"negative exponent":     {"1E-5", "1E-5" + no},
		"hexadecimal":           {"0x10", "0x10" + no},
		"NaN":                   {"NaN", "NaN" + no},
		"infinite":              {"Inf", "Inf" + no},
		"only a sign":           {"-", "-" + no},
		"only a mark":           {".", "." + no},
		"nothing behind":        {"5.", "5." + no},
		"nothing behind, comma": {"5,", "5," + no},
		"two signs":             {"--5", "--5" + no},
		"sign behind":           {"5-", "5-" + no},
		"crooked groups":        {"12 5", "12 5" + no},
		"crooked commas":        {"1,23,456", "1,23,456" + no},
		"a group too long":      {"1234 567", "1234 567" + no},
		"grouped behind":        {"1.234 567", "1.234 567" + no},
		"two kinds of groups":   {"1 234'567", "1 234'567" + no},
		"grouping, two marks":   {"1 234,567.5", "1 234,567.5" + no},
		"marks in turn":         {"1,234.567,8", "1,234.567,8" + no},
		"the mark groups too":   {"1.234.567,8.9", "1.234.567,8.9" + no},
		"tab inside":            {"1\t234", "1\t234" + no},
		"other digits":          {"١٢", "١٢" + no},
		"too long":              {"1234567890123", "this number is too long: at most 12 digits before the point"},
		"too fine":              {"0.1234567", "this number is too fine: at most 6 digits behind the point"},
		"a pasted page":         {strings.Repeat("x", 5000), strings.Repeat("x", 24) + "…" + no},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := quantity.Parse(tc.text)
			if err == nil {
				t.Fatalf("read as %v", got)
			}
			if err.Error() != tc.want || !fault.Is(err, fault.Invalid) {
				t.Errorf("got  %q\nwant %q", err, tc.want)
			}
		})
	}
}

func TestSignsAreRefusedWhereTheyCannotBe(t *testing.T) {
	t.Parallel()
	if _, err := quantity.ParseNonNegative("-0.1"); err == nil || err.Error() != "this cannot be less than 0" {
		t.Errorf("less than nought: %v", err)
	}
	if got, err := quantity.ParseNonNegative("-0"); err != nil || !got.IsZero() {
		t.Errorf("nought: %v, %v", got, err)
	}
	for _, text := range []string{"0", "0.000000", "-3"} {
		if _, err := quantity.ParsePositive(text); err == nil || err.Error() != "this must be more than 0" {
			t.Errorf("%s: %v", text, err)
		}
	}
	if got, err := quantity.ParsePositive("0.000001"); err != nil || !got.Equal(dec("0.000001")) {
		t.Errorf("a little: %v, %v", got, err)
	}
}

func TestCountsAreWhole(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]int{"0": 0, "7": 7, "1 000": 1000, "1000000": 1000000, "1,000,000": 1000000} {
		if got, err := quantity.ParseWhole(text); err != nil || got != want {
			t.Errorf("%q: got %d, %v; want %d", text, got, err, want)
		}
	}
	const mark = "write a whole number, without a point or comma"
	for text, want := range map[string]string{
		"12.0":    mark,
		"1.000":   mark,
		"1,5":     mark,
		"-1":      "this cannot be less than 0",
		"1000001": "this cannot be more than 1000000",
		"":        "write a number",
	} {
		if got, err := quantity.ParseWhole(text); err == nil || err.Error() != want {
			t.Errorf("%q: got %d, %v; want %q", text, got, err, want)
		}
	}
}

func TestNumbersAsWritten(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]struct{ format, fixed, plain string }{
		"0":             {"0", "0.00", "0"},
		"7.50":          {"7.5", "7.50", "7.5"},
		"100":           {"100", "100.00", "100"},
		"999.995":       {"999.995", "1\u202f000.00", "999.995"},
		"1000":          {"1\u202f000", "1\u202f000.00", "1000"},
		"-1234567.125":  {"-1\u202f234\u202f567.125", "-1\u202f234\u202f567.13", "-1234567.125"},
		"-123":          {"-123", "-123.00", "-123"},
		"-0.001":        {"-0.001", "0.00", "-0.001"},
		"1e5":           {"100\u202f000", "100\u202f000.00", "100000"},
		"12345.6789000": {"12\u202f345.6789", "12\u202f345.68", "12345.6789"},
	} {
		d := dec(text)
		got := []string{quantity.Format(d), quantity.FormatFixed(d, 2), quantity.Plain(d)}
		if diff := cmp.Diff([]string{want.format, want.fixed, want.plain}, got); diff != "" {
			t.Errorf("%s (-want +got)\n%s", text, diff)
		}
	}
	if got := quantity.FormatFixed(dec("1234.5"), 0); got != "1\u202f235" {
		t.Errorf("without places: %q", got)
	}
}

func TestWhatIsWrittenIsReadBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := decimal.New(rapid.Int64Range(-999_999_999_999_999_999, 999_999_999_999_999_999).Draw(t, "digits"), -rapid.Int32Range(0, 6).Draw(t, "places"))
		if d.Abs().GreaterThanOrEqual(decimal.New(1, 12)) {
			d = d.Shift(-6).Truncate(6)
		}
		for _, text := range []string{quantity.Format(d), quantity.Plain(d), quantity.FormatFixed(d, 6)} {
			if got, err := quantity.Parse(text); err != nil || !got.Equal(d) {
				t.Errorf("%v written as %q is read as %v, %v", d, text, got, err)
			}
		}
	})
}

func TestRoundingToAReadability(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct{ d, step, want string }{
		"down":            {"12.34", "0.1", "12.3"},
		"a half up":       {"12.35", "0.1", "12.4"},
		"a half away":     {"-12.35", "0.1", "-12.4"},
		"just under":      {"12.349999", "0.1", "12.3"},
		"a step of 5":     {"12.5", "5", "15"},
		"a step of 0.2":   {"0.3", "0.2", "0.4"},
		"a step of 0.3":   {"1", "0.3", "0.9"},
		"a step of 7":     {"3.4999999", "7", "0"},
		"to nought":       {"0.04", "0.1", "0"},
		"nothing":         {"0", "0.1", "0"},
		"exact":           {"500", "0.5", "500"},
		"no step":         {"12.345", "0", "12.345"},
		"a negative step": {"12.345", "-1", "12.345"},
		"beyond a float":  {"100000000000.05", "0.1", "100000000000.1"},
		"larger than d":   {"6", "10", "10"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(dec(tc.want), quantity.RoundTo(dec(tc.d), dec(tc.step))); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestRoundingGivesTheNearestMultiple(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := decimal.New(rapid.Int64Range(-1e12, 1e12).Draw(t, "d"), -6)
		step := decimal.New(rapid.Int64Range(1, 1e7).Draw(t, "step"), -rapid.Int32Range(0, 6).Draw(t, "places"))
		got := quantity.RoundTo(d, step)
		if !got.Mod(step).IsZero() {
			t.Errorf("%v to steps of %v gave %v, no multiple", d, step, got)
		}
		if off := got.Sub(d).Abs().Mul(decimal.NewFromInt(2)); off.GreaterThan(step) {
			t.Errorf("%v to steps of %v gave %v, not the nearest", d, step, got)
		}
		if again := quantity.RoundTo(got, step); !again.Equal(got) {
			t.Errorf("rounding %v again gave %v", got, again)
		}
		if mirrored := quantity.RoundTo(d.Neg(), step); !mirrored.Equal(got.Neg()) {
			t.Errorf("%v and its negative round to %v and %v", d, got, mirrored)
		}
	})
}
