package batchcode

import "strings"

// place is what one character of a code must be.
type place struct {
	kind    kind
	char    byte // literal
	packing bool
	leading bool // first digit of a sequence that outgrew its width
}

// shape is one way to read the letters and digits of a code by a pattern.
type shape struct {
	places []place
	// asMade is a batch code as most are: no packing letter and a sequence of the pattern's own width.
	asMade bool
}

// shapes are the ways in which text of n letters and digits can be read by the pattern: one to four code
// letters, a sequence of its width or longer, and none to two packing letters.
func (p Pattern) shapes(n int) []shape {
	if len(p.parts) == 0 || n > MaxLength {
		return nil
	}
	fixed, width, most := 0, 0, 0
	for _, part := range p.parts {
		switch part.kind {
		case literal:
			fixed += len(bare(part.text))
		case letters:
			most = maxLetters
		case sequence:
			width = part.width
		default:
			fixed += part.width
		}
	}
	var all []shape
	for codeLetters := min(1, most); codeLetters <= most; codeLetters++ {
		for packing := 0; packing <= 2; packing++ {
			if digits := n - fixed - codeLetters - packing; digits >= width {
				all = append(all, shape{
					places: p.places(codeLetters, digits, packing),
					asMade: packing == 0 && digits == width,
				})
			}
		}
	}
	return all
}

func (p Pattern) places(codeLetters, digits, packing int) []place {
	var places []place
	add := func(n int, what place) {
		for range n {
			places = append(places, what)
		}
	}
	for _, part := range p.parts {
		switch part.kind {
		case literal:
			for _, c := range []byte(bare(part.text)) {
				add(1, place{kind: literal, char: c})
			}
		case letters:
			add(codeLetters, place{kind: letters})
		case dateDigits:
			add(part.width, place{kind: dateDigits})
		case sequence:
			if digits > part.width {
				add(1, place{kind: sequence, leading: true})
				add(digits-1, place{kind: sequence})
			} else {
				add(digits, place{kind: sequence})
			}
		case check:
			add(packing, place{packing: true})
			add(1, place{kind: check})
		}
	}
	if !p.HasCheck() {
		add(packing, place{packing: true})
	}
	return places
}

// readings are the characters that c can stand for at that place, look-alikes tried; none where it cannot
// stand there.
func (at place) readings(c byte) string {
	switch {
	case at.packing:
		if strings.IndexByte(packingLetters, c) >= 0 {
			return string(c)
		}
		return ""
	case at.kind == literal:
		if plain(c) == plain(at.char) {
			return string(at.char)
		}
		return ""
	}
	like := string(c)
	switch plain(c) {
	case '0':
		like = "0O"
	case '1':
		like = "1IL"
	}
	return strings.Map(func(r rune) rune {
		digit := r <= '9'
		if at.kind == letters && digit || (at.kind == dateDigits || at.kind == sequence) && !digit || at.leading && r == '0' {
			return -1
		}
		return r
	}, like)
}

// read tells whether text fits the shape, and, checked, whether in one of its readings the check character is
// right.
func (s shape) read(text string) (fits, checked bool) {
	states := map[int]bool{firstState: true}
	for i, at := range s.places {
		readings := at.readings(text[i])
		if readings == "" {
			return false, false
		}
		next := make(map[int]bool)
		for state := range states {
			for _, c := range []byte(readings) {
				if at.kind == check && checkOf(state) == c {
					checked = true
				}
				next[step(state, c)] = true
			}
		}
		states = next
	}
	return true, checked
}

// Matches tells whether a code has the shape of the pattern's codes: any letters, any date, any sequence, and
// the packing letters that a later packing of a batch has. Case and separators do not matter, look-alikes may
// stand for each other, and the check character may be wrong.
func (p Pattern) Matches(code string) bool {
	text := bare(code)
	for _, s := range p.shapes(len(text)) {
		if fits, _ := s.read(text); fits {
			return true
		}
	}
	return false
}

// Mistyped tells whether a query, found nowhere, can only be one of the workshop's own codes with something
// wrong in it: it has the shape of a pattern with a check character that the workshop used, and the check
// character is wrong however its look-alikes are read. A query that also has the plain shape of a used pattern
// without check character may be a true code of that, and is not called mistyped.
func Mistyped(query string, used []Pattern) bool {
	text := bare(query)
	shaped := false
	for _, p := range used {
		for _, s := range p.shapes(len(text)) {
			fits, checked := s.read(text)
			if !fits {
				continue
			}
			if checked || !p.HasCheck() && s.asMade {
				return false
			}
			shaped = shaped || p.HasCheck()
		}
	}
	return shaped
}
