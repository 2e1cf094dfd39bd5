package batchcode

import (
	"fmt"
	"strings"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// DefaultPattern makes codes such as OB-26305-01S: twelve characters with two letters, which is what can be
// read over the telephone without losing one's place (common practice, no source).
const DefaultPattern = "{letters}-{yyddd}-{nn}{check}"

const (
	// maxLetters is the most code letters a formula may have.
	maxLetters = 4
	// maxPatternLength leaves room for two packing letters within MaxLength.
	maxPatternLength = MaxLength - 2
)

type kind byte

const (
	literal kind = iota
	letters
	dateDigits
	sequence
	check
)

type part struct {
	kind  kind
	text  string // literal: its characters; else the token
	width int    // characters; of the sequence the fewest
}

var tokens = map[string]part{
	"{letters}": {kind: letters, text: "{letters}"},
	"{yymmdd}":  {kind: dateDigits, text: "{yymmdd}", width: 6},
	"{yyddd}":   {kind: dateDigits, text: "{yyddd}", width: 5},
	"{n}":       {kind: sequence, text: "{n}", width: 1},
	"{nn}":      {kind: sequence, text: "{nn}", width: 2},
	"{nnn}":     {kind: sequence, text: "{nnn}", width: 3},
	"{check}":   {kind: check, text: "{check}", width: 1},
}

// Pattern is how a workshop writes its batch codes. The zero value makes and matches nothing.
type Pattern struct {
	text  string
	parts []part
}

// ParsePattern reads a pattern: tokens in braces, {letters} (the formula's one to four code letters), {yymmdd}
// or {yyddd} (the day of making; ddd is the day of the year), {n}, {nn} or {nnn} (the sequence of the day) and
// {check}, with A-Z, 0-9, "-", "." and "/" between them. A date and a sequence must be there, each token at
// most once, {check} last. With four letters a code may have 18 characters at most, so that two packing
// letters fit the 20 of GS1. Errors are faults for people.
func ParsePattern(text string) (Pattern, error) {
	p := Pattern{text: text}
	for rest := text; rest != ""; {
		var next part
		var err error
		if next, rest, err = cutPart(rest); err != nil {
			return Pattern{}, err
		}
		p.parts = append(p.parts, next)
	}
	if err := p.validate(); err != nil {
		return Pattern{}, err
	}
	return p, nil
}

// cutPart takes the first token or literal off a pattern.
func cutPart(text string) (part, string, error) {
	if text[0] == '{' {
		end := strings.IndexByte(text, '}')
		if end < 0 {
			return part{}, "", invalid("a { in the pattern is not closed by a }")
		}
		token, known := tokens[text[:end+1]]
		if !known {
			return part{}, "", invalid(fmt.Sprintf("the pattern cannot hold %s; there are {letters}, {yymmdd}, {yyddd}, {n}, {nn}, {nnn} and {check}", text[:end+1]))
		}
		return token, text[end+1:], nil
	}
	n := strings.IndexByte(text, '{')
	if n < 0 {
		n = len(text)
	}
	for _, r := range text[:n] {
		if (r < 'A' || r > 'Z') && (r < '0' || r > '9') && !strings.ContainsRune("-./", r) {
			return part{}, "", invalid(fmt.Sprintf("the pattern cannot hold %q outside braces; A to Z, 0 to 9 and - . / can stand there", r))
		}
	}
	return part{kind: literal, text: text[:n], width: n}, text[n:], nil
}

func (p Pattern) validate() error {
	var seen [check + 1]int
	for i, part := range p.parts {
		seen[part.kind]++
		switch {
		case part.kind == literal || seen[part.kind] == 1:
		case part.kind == dateDigits:
			return invalid("the pattern holds two dates; one of {yymmdd} and {yyddd} is enough")
		case part.kind == sequence:
			return invalid("the pattern holds two sequences; one of {n}, {nn} and {nnn} is enough")
		default:
			return invalid(fmt.Sprintf("the pattern holds %s twice", part.text))
		}
		if part.kind == check && i != len(p.parts)-1 {
			return invalid("{check} must come last: it checks all that stands before it")
		}
	}
	switch {
	case seen[dateDigits] == 0:
		return invalid("the pattern needs the date of making, {yymmdd} or {yyddd}")
	case seen[sequence] == 0:
		return invalid("the pattern needs the sequence of the day, {n}, {nn} or {nnn}; else two batches of a day would be one")
	}
	if n := p.Length(maxLetters); n > maxPatternLength {
		return invalid(fmt.Sprintf("the pattern makes codes of up to %d characters; %d are the most, so that a packing letter still fits", n, maxPatternLength))
	}
	return nil
}

// String is the pattern as it was written.
func (p Pattern) String() string { return p.text }

// HasCheck tells whether codes of this pattern end with a check character.
func (p Pattern) HasCheck() bool { return len(p.parts) > 0 && p.parts[len(p.parts)-1].kind == check }

// Length is how many characters a code with that many code letters has, while the sequence fits its width.
func (p Pattern) Length(codeLetters int) int {
	n := 0
	for _, part := range p.parts {
		n += part.width
		if part.kind == letters {
			n += codeLetters
		}
	}
	return n
}

// Code makes the batch code of the seq-th batch, counted from 1, made on that day. The code letters are A to
// Z, one to four; a pattern without {letters} ignores them. A sequence too large for its width grows, which is
// refused only where the code would pass 20 characters. Errors are faults for people.
func (p Pattern) Code(codeLetters string, made day.Day, seq int) (string, error) {
	if made.IsZero() {
		return "", invalid("a batch code needs the date of making")
	}
	if seq < 1 {
		return "", invalid("the sequence of the day counts from 1")
	}
	var b strings.Builder
	for _, part := range p.parts {
		switch part.kind {
		case literal:
			b.WriteString(part.text)
		case letters:
			if err := ValidateLetters(codeLetters); err != nil {
				return "", err
			}
			b.WriteString(codeLetters)
		case dateDigits:
			b.WriteString(dateText(made, part.width))
		case sequence:
			fmt.Fprintf(&b, "%0*d", part.width, seq)
		case check:
			c, err := Check(b.String())
			if err != nil {
				return "", err
			}
			b.WriteByte(c)
		}
	}
	if err := Validate(b.String()); err != nil {
		return "", err
	}
	return b.String(), nil
}

// ValidateLetters tells whether a formula may have these code letters: one to four of A to Z.
func ValidateLetters(codeLetters string) error {
	ok := len(codeLetters) >= 1 && len(codeLetters) <= maxLetters
	for _, r := range codeLetters {
		ok = ok && r >= 'A' && r <= 'Z'
	}
	if !ok {
		return invalid("code letters are one to four of A to Z")
	}
	return nil
}

func dateText(made day.Day, width int) string {
	year := made.Year() % 100
	if width == len("yyddd") {
		return fmt.Sprintf("%02d%03d", year, made.YearDay())
	}
	return fmt.Sprintf("%02d%02d%02d", year, int(made.Month()), made.Day())
}

func invalid(message string) error { return fault.New(fault.Invalid, message) }
