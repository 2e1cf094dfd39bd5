package store

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	"example.org/stillroom/internal/fault"
)

// plainLetters takes accents off: "Crème" is found as "creme".
func plainLetters(text string) string {
	// A transformer keeps state, so each call makes its own.
	out, _, err := transform.String(transform.Chain(norm.NFKD, runes.Remove(runes.In(unicode.Mn)), norm.NFC), text)
	if err != nil {
		return text
	}
	return out
}

// foldWord is how a word or code is kept for finding by prefix: lower case, letters and digits only.
func foldWord(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, plainLetters(text))
}

// words are a name's folded words, each a key of its own.
func words(name string) []string {
	var out []string
	for _, w := range strings.FieldsFunc(plainLetters(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }) {
		if w = foldWord(w); w != "" {
			out = append(out, w)
		}
	}
	return out
}

func checkName(f *fault.Fields, name, ask string) {
	if strings.TrimSpace(name) == "" || utf8.RuneCountInString(name) > 200 {
		f.Add("name", ask)
	}
}

// checkCode takes an empty code: one is made then. A code stands in URLs and on paper, so it has no spaces or slashes.
func checkCode(f *fault.Fields, code string) {
	if utf8.RuneCountInString(code) > 40 {
		f.Add("code", "At most 40 characters, please.")
		return
	}
	if code == "new" || strings.Trim(code, "-._") == "" && code != "" {
		// "/materials/new" is a page of its own, and a browser takes ".." for a step up.
		f.Add("code", "Take a code with a letter or digit in it, and not the word new.")
		return
	}
	for _, r := range code {
		if !(unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("-._", r)) {
			f.Add("code", "A code is letters, digits, - . and _, without spaces.")
			return
		}
	}
}

// checkLength holds a free text to what its column and the page take.
func checkLength(f *fault.Fields, field, text string, most int) {
	if utf8.RuneCountInString(text) > most {
		f.Add(field, fmt.Sprintf("At most %d characters, please.", most))
	}
}
