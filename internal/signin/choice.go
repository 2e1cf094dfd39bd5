package signin

import (
	_ "embed"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"example.org/stillroom/internal/fault"
)

// Length limits in characters, not bytes. ASVS 5.0 §6.2: at least 8, at least 64 allowed; no rule about which.
const (
	shortest = 8
	longest  = 128
)

// productName is the word that everybody would try here first (ASVS 5.0 §6.2.11).
const productName = "stillroom"

// commonText is written from memory, not copied from a published list; one a line, lower case, # starts a comment.
//
//go:embed common.txt
var commonText string

var common = func() map[string]bool {
	words := map[string]bool{}
	for line := range strings.Lines(commonText) {
		line = strings.TrimSpace(line)
		if line != "" && !strings.HasPrefix(line, "#") {
			words[line] = true
		}
	}
	return words
}()

// runs are the orders in which fingers and heads count; each is also tried backwards.
var runs = []string{
	"01234567890123456789",
	"abcdefghijklmnopqrstuvwxyz",
	"qwertyuiop", "asdfghjkl", "zxcvbnm", "qwertzuiop", "yxcvbnm", "azertyuiop", "qsdfghjklm", "wxcvbn",
	"1qaz2wsx3edc4rfv5tgb6yhn7ujm",
	"q1w2e3r4t5y6u7i8o9p0", "1q2w3e4r5t6y7u8i9o0p",
}

// CheckPassword tells whether a password may be chosen: 8 to 128 characters of any kind, and none that is guessed
// first. The fault is Invalid and has no field; its message says what to do.
func CheckPassword(pw string) error {
	if !utf8.ValidString(pw) {
		return fault.New(fault.Invalid, "Type the password again; a character in it could not be read")
	}
	pw = norm.NFC.String(pw)
	switch n := utf8.RuneCountInString(pw); {
	case n < shortest:
		return fault.New(fault.Invalid, "Use at least 8 characters; three or four words do well")
	case n > longest:
		return fault.New(fault.Invalid, "Use at most 128 characters")
	}
	folded := strings.ToLower(pw)
	switch {
	case strings.TrimSpace(pw) == "" || repeats(folded):
		return fault.New(fault.Invalid, "This only repeats itself; choose something less easy to guess")
	case sequence(folded):
		return fault.New(fault.Invalid, "This is a row of keys, letters or numbers; choose something less easy to guess")
	case named(folded):
		return fault.New(fault.Invalid, "Leave the word stillroom out, or add more around it")
	case listed(folded):
		return fault.New(fault.Invalid, "Many people use this password; choose another")
	}
	return nil
}

// repeats tells whether all of it is one piece of up to four characters, again and again: aaaaaaaa, 12121212, testtest.
func repeats(pw string) bool {
	letters := []rune(pw)
next:
	for size := 1; size <= 4; size++ {
		for i := size; i < len(letters); i++ {
			if letters[i] != letters[i-size] {
				continue next
			}
		}
		return true
	}
	return false
}

// sequence tells whether all of it is part of one run, or two runs of at least four: abcd1234.
func sequence(pw string) bool {
	if run(pw) {
		return true
	}
	for cut := 4; cut <= len(pw)-4; cut++ {
		if run(pw[:cut]) && run(pw[cut:]) {
			return true
		}
	}
	return false
}

func run(part string) bool {
	for _, r := range runs {
		if strings.Contains(r, part) || strings.Contains(r, reversed(part)) {
			return true
		}
	}
	return false
}

func reversed(text string) string {
	letters := []rune(text)
	for i, j := 0, len(letters)-1; i < j; i, j = i+1, j-1 {
		letters[i], letters[j] = letters[j], letters[i]
	}
	return string(letters)
}

// named tells whether it leans on the program's name: what is left without it would be too short by itself.
func named(pw string) bool {
	rest := strings.ReplaceAll(pw, productName, "")
	return rest != pw && utf8.RuneCountInString(rest) < shortest
}

// listed tells whether it is a common password, as such or with up to four digits or signs behind: sunshine99!
func listed(pw string) bool {
	if common[pw] {
		return true
	}
	stem := strings.TrimRightFunc(pw, func(r rune) bool { return !unicode.IsLetter(r) })
	added := utf8.RuneCountInString(pw) - utf8.RuneCountInString(stem)
	return added <= 4 && common[stem]
}
