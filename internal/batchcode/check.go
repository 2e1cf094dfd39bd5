// Package batchcode makes, checks, folds and compares the codes of batches and packings: what is stamped on a
// bar and read out over the telephone a year later.
//
// The check character is ISO/IEC 7064 MOD 37,36 over letters and digits. It finds every single wrong character
// and all but 0.159 % of swapped neighbours; it never corrects. The outer limits of a code are those of GS1
// application identifier (10): 1 to 20 characters of the set of 82.
package batchcode

import (
	"fmt"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"example.org/stillroom/internal/fault"
)

const alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// The state of MOD 37,36 is 1 to 36; it starts at 36.
const firstState = 36

func value(c byte) int {
	if c <= '9' {
		return int(c - '0')
	}
	return int(c-'A') + 10
}

// step takes one character into the state: ISO/IEC 7064, hybrid system with M+1 = 37, M = 36.
func step(state int, c byte) int {
	sum := (state + value(c)) % 36
	if sum == 0 {
		sum = 36
	}
	return 2 * sum % 37
}

// checkOf is the check character that closes a body in that state.
func checkOf(state int) byte { return alphabet[(37-state)%36] }

// Check is the MOD 37,36 check character, 0-9 or A-Z, of what stands before it. Lower case counts as upper
// case; spaces and punctuation are passed over, as the standard says. A body with a letter or digit other than
// A-Z and 0-9, or with none, is a fault.
func Check(body string) (byte, error) {
	state, any := firstState, false
	for _, r := range upper(body) {
		switch {
		case r >= '0' && r <= '9', r >= 'A' && r <= 'Z':
			state, any = step(state, byte(r)), true
		case unicode.IsLetter(r) || unicode.IsNumber(r):
			return 0, fault.New(fault.Invalid, fmt.Sprintf("a check character counts the letters A to Z and digits only, not %c", r))
		}
	}
	if !any {
		return 0, fault.New(fault.Invalid, "there is no letter or digit to make a check character from")
	}
	return checkOf(state), nil
}

// Valid tells whether a code's last letter or digit is the check character of those before it. Case, spaces and
// punctuation do not matter; look-alikes do: O is not 0 here.
func Valid(code string) bool {
	text := strings.TrimRightFunc(upper(code), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsNumber(r) })
	if text == "" {
		return false
	}
	last := len(text) - 1
	want, err := Check(text[:last])
	return err == nil && text[last] == want
}

// upper is the compatibility form in upper case: full-width and circled characters become plain ones.
func upper(text string) string { return strings.ToUpper(norm.NFKC.String(text)) }
