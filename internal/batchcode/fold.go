package batchcode

import (
	"fmt"
	"strings"

	"example.org/stillroom/internal/fault"
)

// MaxLength is the most characters that GS1 application identifier (10), and so any code here, may have.
const MaxLength = 20

// bare is the letters and digits of a code in upper case, with nothing between them and no look-alike changed.
func bare(code string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' {
			return r
		}
		return -1
	}, upper(code))
}

// Fold is the key under which a code is unique in its workshop: upper case, letters and digits only, and what
// looks alike made one: O is 0, I and L are 1. Folding twice is folding once.
func Fold(code string) string {
	return strings.Map(func(r rune) rune { return rune(plain(byte(r))) }, bare(code))
}

// plain makes look-alikes one.
func plain(c byte) byte {
	switch c {
	case 'O':
		return '0'
	case 'I', 'L':
		return '1'
	}
	return c
}

// Validate tells whether a code, an imported one for example, can be kept and put into a barcode: 1 to 20
// characters of GS1's set of 82 (the rules of application identifier (10)), at least one of them a letter or
// digit, since only those count when codes are compared. The error is a fault for people.
func Validate(code string) error {
	if code == "" {
		return fault.New(fault.Invalid, "write a batch code")
	}
	for _, r := range code {
		if !inSet82(r) {
			name := fmt.Sprintf("the character %q", r)
			if r == ' ' {
				name = "a space"
			}
			return fault.New(fault.Invalid, fmt.Sprintf("a batch code cannot hold %s; letters, digits and - . / are safe", name))
		}
	}
	if len(code) > MaxLength {
		return fault.New(fault.Invalid, fmt.Sprintf("a batch code has at most %d characters, and this one has %d", MaxLength, len(code)))
	}
	if Fold(code) == "" {
		return fault.New(fault.Invalid, "a batch code needs a letter or digit")
	}
	return nil
}

// GS1 General Specifications, the 82 characters of application identifiers (10) and (21).
func inSet82(r rune) bool {
	switch {
	case r >= '0' && r <= '9', r >= 'A' && r <= 'Z', r >= 'a' && r <= 'z':
		return true
	}
	return strings.ContainsRune(`!"%&'()*+,-./:;<=>?_`, r)
}
