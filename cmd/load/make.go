package main

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strconv"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
)

// maker writes the tables of an invented workshop of any size. It keeps a sum a lot and nothing a batch.
type maker struct {
	seed    uint64
	n       int // batches
	pattern batchcode.Pattern
	// first is the number of each material's first lot; marks have the last numbers.
	first     []int
	firstMark int
	marks     []mark
	drawn     []int64 // tenths drawn from each lot
}

// mark is a lot whose reach is known by design: how many batches it went into, through any number of steps.
type mark struct {
	Reach  int
	direct map[int]bool
}

func (k mark) drawnBy(i int) bool { return k.direct[i] }

// Code is the lot's.
func (k mark) Code() string { return "LIMITED-" + strconv.Itoa(k.Reach) }

// reaches are the sizes at which a trace is measured, and the block at which their lots begin to be used.
var reaches = []struct{ batches, block int }{{26, 2}, {300, 5}, {2998, 10}}

// lotsIn is how many lots a material has for each of its spans: a tub has two deliveries besides.
func lotsIn(at int) int {
	if at == tub {
		return 3
	}
	return 1
}

func newMaker(seed uint64, batches int) (*maker, error) {
	pattern, err := batchcode.ParsePattern(batchcode.DefaultPattern)
	if err != nil {
		return nil, err
	}
	m := &maker{seed: seed, n: batches, pattern: pattern, first: make([]int, len(materials))}
	for at, mat := range materials {
		m.first[at] = m.firstMark
		if at != limited {
			m.firstMark += lotsIn(at) * ((batches + mat.cover - 1) / mat.cover)
		}
	}
	for _, r := range reaches {
		if k, fits := m.mark(r.batches, r.block*block); fits {
			m.marks = append(m.marks, k)
		}
	}
	m.drawn = make([]int64, m.firstMark+len(m.marks))
	m.sum()
	return m, nil
}

// lot is the number of the lot of a material that a batch draws on.
func (m *maker) lot(at, i int) int { return m.first[at] + lotsIn(at)*(i/materials[at].cover) }

// mark chooses which batches draw on a lot so that it reaches just so many. Whole blocks must exist for it, or the same
// lot would reach further in a larger workshop.
func (m *maker) mark(want, from int) (mark, bool) {
	k := mark{Reach: want, direct: map[int]bool{}}
	reached := map[int]bool{}
	for i := from; len(reached) < want; i++ {
		if (i/block+1)*block > m.n {
			return mark{}, false
		}
		if _, draws := drawerAt(i); draws {
			continue // reached through what it draws on
		}
		more := m.after(i, reached)
		if len(reached)+len(more) > want {
			continue
		}
		k.direct[i] = true
		for _, j := range more {
			reached[j] = true
		}
	}
	return k, true
}

// after is a batch and what was made from it, as far as it is not known.
func (m *maker) after(i int, known map[int]bool) []int {
	found := map[int]bool{i: true}
	var more []int
	if !known[i] {
		more = append(more, i)
	}
	for d := range drawers {
		j := drawer(i/block, d)
		for _, s := range m.sources(j) {
			if found[s.batch] && !found[j] {
				found[j] = true
				if !known[j] {
					more = append(more, j)
				}
			}
		}
	}
	return more
}

// sum adds up what is drawn from each lot, so that what came in can be more.
func (m *maker) sum() {
	for i := range m.n {
		for _, in := range m.inputs(i) {
			m.drawn[in.lot] += int64(in.tenths)
		}
		for p := range m.packings(i) {
			if lots, pieces := m.packagingOf(i, p); m.listed(i) {
				m.drawn[lots[0]] += int64(pieces) * 10
				m.drawn[lots[1]] += int64(pieces) * 10
			}
		}
	}
}

// out writes one table.
type out struct {
	file *os.File
	buf  *bufio.Writer
	csv  *csv.Writer
	rows int64
	err  error
}

func (o *out) row(cells ...string) {
	if o.err == nil {
		o.err = o.csv.Write(cells)
		o.rows++
	}
}

// write makes one table in the folder and answers how many rows it has.
func write(dir, table string, header []string, fill func(*out)) (int64, error) {
	file, err := os.Create(filepath.Join(dir, table+".csv"))
	if err != nil {
		return 0, err
	}
	o := &out{file: file, buf: bufio.NewWriterSize(file, 1<<18)}
	o.csv = csv.NewWriter(o.buf)
	o.err = o.csv.Write(header)
	fill(o)
	o.csv.Flush()
	for _, err := range []error{o.csv.Error(), o.buf.Flush(), file.Close()} {
		if o.err == nil {
			o.err = err
		}
	}
	if o.err != nil {
		return 0, fmt.Errorf("%s.csv: %w", table, o.err)
	}
	return o.rows, nil
}

// count is a table and its rows.
type count struct {
	Table string
	Rows  int64
}

// Write makes every table in the folder.
func (m *maker) Write(dir string) ([]count, error) {
	var counts []count
	for _, t := range m.tables() {
		n, err := write(dir, t.name, t.header, t.fill)
		if err != nil {
			return nil, err
		}
		counts = append(counts, count{t.name, n})
	}
	return counts, nil
}

// tenths writes a number of tenths without trailing zeros.
func tenths(n int64) string {
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	if n%10 == 0 {
		return sign + strconv.FormatInt(n/10, 10)
	}
	return sign + strconv.FormatInt(n/10, 10) + "." + strconv.FormatInt(n%10, 10)
}

// lotInfo is what a lot's number says.
type lotInfo struct {
	code     string
	material int
	since    day.Day // when it came
	tubOf    bool    // filled from the two lots after it
	intoTub  bool
}

func (m *maker) lotInfo(l int) lotInfo {
	if l >= m.firstMark {
		k := m.marks[l-m.firstMark]
		first := m.n
		for i := range k.direct {
			first = min(first, i)
		}
		return lotInfo{code: k.Code(), material: limited, since: madeOn(first).AddDays(-20)}
	}
	at := len(materials) - 1
	for m.first[at] > l || at == limited {
		at--
	}
	span, part := (l-m.first[at])/lotsIn(at), (l-m.first[at])%lotsIn(at)
	info := lotInfo{code: fmt.Sprintf("%s-%04d", materials[at].code, span+1), material: at, since: madeOn(span * materials[at].cover).AddDays(-20)}
	if at == tub {
		info.tubOf, info.intoTub = part == 0, part > 0
		info.code = "TUB-" + info.code
		if part > 0 {
			info.code = fmt.Sprintf("%s-%04d%c", materials[at].code, span+1, 'A'+part-1)
		}
	}
	return info
}

// stockMove is what left a lot otherwise, in tenths; zero for most.
func (m *maker) stockMove(l int) int64 {
	if m.pick(ofStock, l, 0, 8) > 0 {
		return 0
	}
	return int64(1+m.pick(ofStock, l, 1, 40)) * 10
}

// needed is what a lot has to have held: what was drawn and moved, and a rest, rounded up as it is sold. Half a kilogram,
// or ten pieces.
func (m *maker) needed(l int) int64 {
	const step = 5000
	n := m.drawn[l] + m.stockMove(l) + int64(m.pick(ofStock, l, 2, 20))*1000
	return (n + step) / step * step
}

// filled is how much of each of its two deliveries went into a tub.
func (m *maker) filled(l int) int64 { return m.needed(l) / 2 }

// received is the quantity on the lot's row.
func (m *maker) received(l int) int64 {
	info := m.lotInfo(l)
	switch {
	case info.tubOf:
		return 0
	case info.intoTub:
		of := l - (l-m.first[tub])%lotsIn(tub)
		return m.filled(of) + m.needed(l)
	}
	return m.needed(l)
}
