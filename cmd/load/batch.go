package main

import (
	"strconv"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
)

// What a batch holds is a function of the seed and its number alone, so that every table can be written by walking the
// numbers, with nothing kept between, and so that the first batches of a large workshop are those of a small one.

const (
	perDay = 20 // batches made in a day
	// Seven batches of a block draw on earlier ones, each on the one before: one in twenty, seven steps deep.
	block   = 140
	drawers = 7
	// A dispatch takes from a group of batches made together, one line of each.
	group     = 6
	leastLine = 15
	moreLines = 22
)

var firstDay = day.Must("2012-01-02")

// pick is a number below n that depends on the seed, what is asked and for which batch and part: a hash (the finaliser
// of SplitMix64), not a stream, so that no table depends on the order in which another was written.
func (m *maker) pick(what, i, part, n int) int {
	x := m.seed
	for _, v := range [3]int{what, i, part} {
		x += uint64(v)*0x9e3779b97f4a7c15 + 0x632be59bd9b4e019
		x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
		x = (x ^ x>>27) * 0x94d049bb133111eb
		x ^= x >> 31
	}
	return int(x % uint64(n))
}

// What pick is asked.
const (
	ofProduct = iota
	ofLines
	ofUnits
	ofRest
	ofJitter
	ofSource
	ofDrawn
	ofSecond
	ofCustomer
	ofReturn
	ofMove
	ofStock
	ofClimate
	ofUnlisted
)

func (m *maker) product(i int) product { return products[m.pick(ofProduct, i, 0, len(products))] }

func madeOn(i int) day.Day { return firstDay.AddDays(i / perDay) }

func moment(on day.Day, minutes int) string {
	return on.String() + "T" + two(minutes/60) + ":" + two(minutes%60) + ":00Z"
}

func two(n int) string {
	if n < 10 {
		return "0" + strconv.Itoa(n)
	}
	return strconv.Itoa(n)
}

// code is the batch's, in the workshop's pattern, with its check character.
func (m *maker) code(i int) string {
	code, err := m.pattern.Code(m.product(i).letters, madeOn(i), i%perDay+1)
	if err != nil {
		panic(err) // the pattern and the letters are constants
	}
	return code
}

// rejected batches made nothing good; their mass may be reworked.
func rejected(i int) bool { return i%101 == 50 }

// twice tells whether a batch was packed on two days.
func (m *maker) twice(i int) bool { return !rejected(i) && m.pick(ofSecond, i, 0, 10) == 0 }

// listed tells whether the batch's packings stand in a table of their own; the others have their units on the batch.
func (m *maker) listed(i int) bool { return m.twice(i) || m.pick(ofUnlisted, i, 0, 5) > 0 }

// packings is how many packings a batch has.
func (m *maker) packings(i int) int {
	if m.twice(i) {
		return 2
	}
	return 1
}

func (m *maker) packingCode(i, p int) string { return batchcode.PackingCode(m.code(i), p+1, true) }

func (m *maker) cureEnds(i int) day.Day {
	return madeOn(i).AddDays(families[m.product(i).family].cureDays)
}

func (m *maker) packedOn(i, p int) day.Day { return m.cureEnds(i).AddDays(1 + 5*p) }

// bestBefore counts from where the product says.
func (m *maker) bestBefore(i, p int) day.Day {
	fam := families[m.product(i).family]
	basis := madeOn(i)
	switch fam.from {
	case "cured":
		basis = m.cureEnds(i)
	case "packed":
		basis = m.packedOn(i, p)
	}
	return basis.AddMonths(fam.keepsMonths).AddDays(fam.keepsDays)
}

// lines is how many dispatch lines a batch has, units what one of them holds; lines of a batch packed twice go to its
// packings in turn.
func (m *maker) lines(i int) int {
	if rejected(i) {
		return 0
	}
	return leastLine + m.pick(ofLines, i, 0, moreLines)
}

func (m *maker) units(i, line int) int { return 1 + m.pick(ofUnits, i, line, 3) }

func (m *maker) packingOf(i, line int) int { return line % m.packings(i) }

// moved is what left a packing without a dispatch: a tester, something broken. Zero for most.
func (m *maker) moved(i, p int) int {
	if rejected(i) || m.pick(ofMove, i, p, 10) > 0 {
		return 0
	}
	return 1 + m.pick(ofMove, i, 10+p, 2)
}

// good is what was made good: what went, in all ways, and a rest still in the house.
func (m *maker) good(i, p int) int {
	if rejected(i) {
		return 0
	}
	n := m.moved(i, p) + m.pick(ofRest, i, p, 12)
	for line := range m.lines(i) {
		if m.packingOf(i, line) == p {
			n += m.units(i, line)
		}
	}
	for d := range drawers {
		if j := drawer(i/block, d); j > i && j < m.n {
			for _, s := range m.sources(j) {
				if s.batch == i && s.packing == p && s.unit == "each" {
					n += s.quantity
				}
			}
		}
	}
	return n
}

func (m *maker) rejects(i, p int) int {
	if rejected(i) {
		return 40 + m.pick(ofRest, i, 7, 20)
	}
	return m.pick(ofRest, i, 20+p, 4)
}

func (m *maker) retained(i, p int) int {
	if rejected(i) {
		return 0
	}
	return 1 + m.pick(ofRest, i, 30+p, 2)
}

// drawer is the number of the d-th batch of a block that draws on earlier ones.
func drawer(b, d int) int { return b*block + d*20 + 13 }

// drawerAt tells which of its block's drawers a batch is.
func drawerAt(i int) (d int, is bool) {
	at := i % block
	return at / 20, at%20 == 13
}

// source is an earlier batch that one draws on.
type source struct {
	batch, packing, quantity int
	unit                     string
}

// sources are the earlier batches of a batch that draws. The first of a block draws on one that draws on none, each
// later one on the drawer before it. Some draw on another one too, the last also on the last but two: a diamond.
func (m *maker) sources(i int) []source {
	d, is := drawerAt(i)
	if !is {
		return nil
	}
	b := i / block
	var list []source
	draw := func(from int) {
		s := source{batch: from, quantity: 500 + m.pick(ofDrawn, i, len(list), 1500)*10, unit: "g"}
		// A packing is named where units are taken, and sometimes where bulk is.
		s.packing = m.pick(ofDrawn, i, 10+len(list), m.packings(from))
		if !rejected(from) && m.pick(ofDrawn, i, 20+len(list), 3) == 0 {
			s.unit, s.quantity = "each", 1+m.pick(ofDrawn, i, 30+len(list), 3)
		}
		list = append(list, s)
	}
	if d == 0 {
		draw(b*block + m.pick(ofSource, i, 0, 13))
		return list
	}
	draw(drawer(b, d-1))
	if m.pick(ofSource, i, 1, 3) == 0 {
		draw(drawer(b, d-1) + 1 + m.pick(ofSource, i, 2, 19))
	}
	if d == drawers-1 {
		draw(drawer(b, d-2))
	}
	return list
}

// input is what went into a batch from a lot, in tenths.
type input struct{ lot, tenths int }

// inputs are what a batch drew from lots. Where a lot was used up the batch took the last of it and went on with the
// next one.
func (m *maker) inputs(i int) []input {
	units := 0
	for p := range m.packings(i) {
		units += m.good(i, p) + m.rejects(i, p) + m.retained(i, p)
	}
	list := make([]input, 0, 16)
	for k, at := range m.product(i).recipe {
		mat := materials[at]
		tenths := units*mat.share + m.pick(ofJitter, i, k, 20) + 2
		if i > 0 && i%mat.cover == 0 {
			list = append(list, input{m.lot(at, i-1), tenths / 2})
			tenths -= tenths / 2
		}
		list = append(list, input{m.lot(at, i), tenths})
	}
	for k := range m.marks {
		if m.marks[k].drawnBy(i) {
			list = append(list, input{m.firstMark + k, units*materials[limited].share + 1})
		}
	}
	return list
}

// packagingOf is the lots of the wrap and label of a packing, and how many pieces of each.
func (m *maker) packagingOf(i, p int) (lots [2]int, pieces int) {
	for k, at := range families[m.product(i).family].packaging {
		lots[k] = m.lot(at, i)
	}
	return lots, m.good(i, p) + m.rejects(i, p) + m.retained(i, p)
}
