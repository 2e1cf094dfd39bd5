package paper

import (
	_ "embed"
	"encoding/binary"
	"fmt"
	"strings"
	"sync"
	"unicode"

	"golang.org/x/text/unicode/bidi"
)

// Liberation, since it has the letters of Europe's languages (Latin, Greek, Cyrillic, Hebrew) as TrueType outlines, which
// is what fpdf can cut down to the glyphs used. Licence: font/OFL.txt.
var (
	//go:embed font/LiberationSans-Regular.ttf
	sansRegular []byte
	//go:embed font/LiberationSans-Bold.ttf
	sansBold []byte
	//go:embed font/LiberationMono-Bold.ttf
	monoBold []byte
)

// drawable are the characters that all three faces have: fpdf draws an empty box for any other, without an error.
var drawable = sync.OnceValue(func() map[rune]bool {
	all := map[rune]int{}
	for _, face := range [][]byte{sansRegular, sansBold, monoBold} {
		glyphs, err := characters(face)
		if err != nil {
			panic("paper: a font of our own cannot be read: " + err.Error())
		}
		for c := range glyphs {
			all[c]++
		}
	}
	set := map[rune]bool{}
	for c, faces := range all {
		if faces == 3 {
			set[c] = true
		}
	}
	return set
})

// characters reads which characters of the Basic Multilingual Plane a TrueType font has a glyph for, from the segments of
// its cmap table (OpenType specification, cmap, format 4). fpdf writes two bytes a character, so that no other plane
// can be drawn whatever the font has.
func characters(font []byte) (map[rune]bool, error) {
	u16 := func(b []byte, at int) int {
		if at < 0 || at+2 > len(b) {
			return 0
		}
		return int(binary.BigEndian.Uint16(b[at:]))
	}
	u32 := func(b []byte, at int) int {
		if at < 0 || at+4 > len(b) {
			return 0
		}
		return int(binary.BigEndian.Uint32(b[at:]))
	}
	var table []byte
	for i := range u16(font, 4) {
		entry := 12 + 16*i
		if entry+16 > len(font) {
			break
		}
		if offset := u32(font, entry+8); string(font[entry:entry+4]) == "cmap" && offset < len(font) {
			table = font[offset:]
		}
	}
	set := map[rune]bool{}
	for i := range u16(table, 2) {
		at := u32(table, 4+8*i+4)
		if at >= len(table) || u16(table, at) != 4 {
			continue
		}
		sub := table[at:]
		count := u16(sub, 6) / 2
		ends, starts := 14, 16+2*count
		deltas, ranges := starts+2*count, starts+4*count
		for s := range count {
			first, last := u16(sub, starts+2*s), u16(sub, ends+2*s)
			for c := first; c <= last && c < 0xFFFF; c++ {
				glyph := c
				if offset := u16(sub, ranges+2*s); offset != 0 {
					glyph = u16(sub, ranges+2*s+offset+2*(c-first))
					if glyph == 0 {
						continue
					}
				}
				if (glyph+u16(sub, deltas+2*s))&0xFFFF != 0 {
					set[rune(c)] = true
				}
			}
		}
	}
	if len(set) == 0 {
		return nil, fmt.Errorf("no characters found in %d bytes", len(font))
	}
	return set, nil
}

// stand are characters that look like one that every font has.
var stand = map[rune]string{'\u202f': "\u00a0", '\u2009': " ", '\u200a': "", '\u2007': "\u00a0", '\u2011': "-", '\u2010': "-", '\u2015': "–", '\u2212': "−", '\t': " ", '\r': "", '\u2028': "\n", '\u2029': "\n"}

// legible writes a text in characters that can be drawn. What has no glyph stands as its code point in words,
// "[U+1F600]", never as a box that could be anything; what is invisible by nature is left out.
func legible(text string) string {
	has := drawable()
	var b strings.Builder
	for _, c := range text {
		other, known := stand[c]
		switch {
		case c == '\n', has[c] && c >= ' ' && !unicode.Is(unicode.Cf, c) && c != 0x7f:
			b.WriteRune(c)
		case known && (other == "" || other == "\n" || has[[]rune(other)[0]]):
			b.WriteString(other)
		case c == '\u2212':
			b.WriteString("-")
		case unicode.Is(unicode.Cf, c), unicode.Is(unicode.Variation_Selector, c): // joiners, direction marks, soft hyphens
		default:
			fmt.Fprintf(&b, "[U+%04X]", c)
		}
	}
	return b.String()
}

// visual puts a line in the order in which it is drawn from left to right: Hebrew and the like run the other way
// (Unicode Standard Annex 9).
func visual(line string) string {
	if !strings.ContainsFunc(line, func(c rune) bool {
		p, _ := bidi.LookupRune(c)
		return p.Class() == bidi.R || p.Class() == bidi.AL
	}) {
		return line
	}
	var p bidi.Paragraph
	if _, err := p.SetString(line, bidi.DefaultDirection(bidi.LeftToRight)); err != nil {
		return line
	}
	order, err := p.Order()
	if err != nil {
		return line
	}
	var b strings.Builder
	for i := range order.NumRuns() {
		run := order.Run(i)
		if run.Direction() == bidi.RightToLeft {
			b.WriteString(bidi.ReverseString(run.String()))
		} else {
			b.WriteString(run.String())
		}
	}
	return b.String()
}
