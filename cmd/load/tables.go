package main

import (
	"fmt"
	"strconv"
	"strings"
)

// table is one CSV file of the interchange tables: its columns, and its rows written in a fixed order.
type table struct {
	name   string
	header []string
	fill   func(*out)
}

func columns(text string) []string { return strings.Fields(text) }

func (m *maker) tables() []table {
	return []table{
		{"workshop", columns("code name zone code_pattern"), func(o *out) {
			o.row("main", "Quillmoor Workshop", "UTC", m.pattern.String())
		}},
		{"suppliers", columns("code name email phone address"), func(o *out) {
			for i, s := range suppliers {
				o.row(s.code, s.name, "orders@"+strings.ToLower(s.code)+".example.org", fmt.Sprintf("+44 1632 960%03d", i), fmt.Sprintf("%d Quarry Lane\nQuillmoor", i+1))
			}
		}},
		{"customers", columns("code name kind email phone address"), func(o *out) {
			for i := range customerCount {
				name := customerFirst[i%len(customerFirst)] + " " + customerLast[i/len(customerFirst)%len(customerLast)]
				o.row(customerCode(i), name, customerKinds[i%len(customerKinds)], fmt.Sprintf("c%d@example.org", i), fmt.Sprintf("+44 1632 961%03d", i), fmt.Sprintf("%d High Street, Quillmoor", i+1))
			}
		}},
		{"materials", columns("code name kind unit inci_name cas_number density_g_per_ml tracked"), func(o *out) {
			for _, t := range materials {
				o.row(t.code, t.name, t.kind, t.unit, t.inci, t.cas, t.density, "true")
			}
		}},
		{"material_lots", columns("code material supplier supplier_lot received_on expires_on quantity unit_cost status retest_on"), m.lots},
		{"lot_inputs", columns("lot source_lot quantity"), m.lotInputs},
		{"products", columns("code name net_content_g shelf_life_months shelf_life_days shelf_life_from cap_by_expiry date_precision"), func(o *out) {
			for _, p := range products {
				fam := families[p.family]
				o.row(p.code, p.name, fam.netG, some(fam.keepsMonths), some(fam.keepsDays), fam.from, "false", fam.precision)
			}
		}},
		{"batches", columns("code product made_at temperature_c humidity_pct cure_started_at cure_ended_at packed_at best_before status units_good units_rejected units_sampled"), m.batches},
		{"packings", columns("code batch product packed_on units_good units_rejected units_retained best_before status"), m.packingRows},
		{"batch_inputs", columns("batch material_lot source_batch quantity unit"), m.batchInputs},
		{"packing_inputs", columns("packing material_lot quantity"), m.packingInputs},
		{"dispatches", columns("code customer dispatched_on batch units"), m.dispatches},
		{"returns", columns("code dispatch batch returned_on units disposition"), m.returns},
		{"unit_moves", columns("code batch moved_on units reason note"), m.unitMoves},
		{"stock_moves", columns("code material_lot moved_on quantity reason note"), m.stockMoves},
		{"climate_readings", columns("place taken_at temperature_c humidity_pct"), m.climate},
	}
}

// some writes a number, and nothing for none.
func some(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

func customerCode(i int) string { return fmt.Sprintf("C-%03d", i+1) }

func (m *maker) lots(o *out) {
	for l := range m.drawn {
		info := m.lotInfo(l)
		supplier, number, cost := suppliers[(info.material*5+l)%len(suppliers)].code, fmt.Sprintf("%05d/%d", (l*7919+13)%100000, info.material), "0.00"+strconv.Itoa(1+m.pick(ofStock, l, 3, 9))
		if info.tubOf {
			supplier, number, cost = "", "", ""
		}
		expires, retest := "", ""
		if materials[info.material].kind == "raw" {
			expires = info.since.AddDays(900 + m.pick(ofStock, l, 4, 400)).String()
			if l%9 == 0 {
				retest = info.since.AddDays(365).String()
			}
		}
		o.row(info.code, materials[info.material].code, supplier, number, info.since.String(), expires, tenths(m.received(l)), cost, "released", retest)
	}
}

func (m *maker) lotInputs(o *out) {
	for l := range m.drawn {
		if info := m.lotInfo(l); info.tubOf {
			for part := 1; part < lotsIn(tub); part++ {
				o.row(info.code, m.lotInfo(l+part).code, tenths(m.filled(l)))
			}
		}
	}
}

func (m *maker) batches(o *out) {
	for i := range m.n {
		good, rejects, sampled := 0, 0, 0
		for p := range m.packings(i) {
			good, rejects, sampled = good+m.good(i, p), rejects+m.rejects(i, p), sampled+m.retained(i, p)
		}
		status, best := "released", m.bestBefore(i, 0).String()
		if rejected(i) {
			status = "rejected"
		}
		product := m.product(i)
		cured, ended := "", ""
		if families[product.family].cureDays > 0 {
			cured, ended = moment(madeOn(i).AddDays(1), 9*60), moment(m.cureEnds(i), 9*60)
		}
		o.row(m.code(i), product.code, moment(madeOn(i), 7*60+i%perDay*25), tenths(int64(170+m.pick(ofClimate, i, 0, 60))), strconv.Itoa(42+m.pick(ofClimate, i, 1, 20)),
			cured, ended, moment(m.packedOn(i, 0), 10*60), best, status, strconv.Itoa(good), strconv.Itoa(rejects), strconv.Itoa(sampled))
	}
}

func (m *maker) packingRows(o *out) {
	for i := range m.n {
		if !m.listed(i) {
			continue
		}
		status := "released"
		if rejected(i) {
			status = "rejected"
		}
		for p := range m.packings(i) {
			o.row(m.packingCode(i, p), m.code(i), m.product(i).code, m.packedOn(i, p).String(), strconv.Itoa(m.good(i, p)), strconv.Itoa(m.rejects(i, p)), strconv.Itoa(m.retained(i, p)), m.bestBefore(i, p).String(), status)
		}
	}
}

func (m *maker) batchInputs(o *out) {
	codes := make([]string, len(m.drawn))
	for l := range codes {
		codes[l] = m.lotInfo(l).code
	}
	for i := range m.n {
		code := m.code(i)
		for _, in := range m.inputs(i) {
			o.row(code, codes[in.lot], "", tenths(int64(in.tenths)), "")
		}
		for _, s := range m.sources(i) {
			o.row(code, "", m.packingCode(s.batch, s.packing), strconv.Itoa(s.quantity), s.unit)
		}
	}
}

func (m *maker) packingInputs(o *out) {
	for i := range m.n {
		if !m.listed(i) {
			continue
		}
		for p := range m.packings(i) {
			lots, pieces := m.packagingOf(i, p)
			for _, l := range lots {
				o.row(m.packingCode(i, p), m.lotInfo(l).code, strconv.Itoa(pieces))
			}
		}
	}
}

// sendings walks over every dispatch line: a group of batches made together sends the first line of each to one
// customer, the second to another, and so on.
func (m *maker) sendings(line func(dispatch string, i, line int, code string)) {
	var codes [group][2]string
	for g := 0; g*group < m.n; g++ {
		size := min(group, m.n-g*group)
		for b := range size {
			i := g*group + b
			codes[b][0], codes[b][1] = m.packingCode(i, 0), m.packingCode(i, 1)
		}
		for l := range leastLine + moreLines {
			dispatch := fmt.Sprintf("D-%05d-%02d", g+1, l+1)
			for b := range size {
				if i := g*group + b; l < m.lines(i) {
					line(dispatch, i, l, codes[b][m.packingOf(i, l)])
				}
			}
		}
	}
}

func (m *maker) dispatches(o *out) {
	m.sendings(func(dispatch string, i, l int, code string) {
		g := i / group
		customer := m.pick(ofCustomer, g, l, customerCount)
		o.row(dispatch, customerCode(customer), madeOn(g*group).AddDays(45+3*l).String(), code, strconv.Itoa(m.units(i, l)))
	})
}

var dispositions = []string{"restock", "restock", "hold", "destroy"}

func (m *maker) returns(o *out) {
	m.sendings(func(dispatch string, i, l int, code string) {
		if m.pick(ofReturn, i, l, 100) > 0 {
			return
		}
		known := dispatch
		if m.pick(ofReturn, i, 1000+l, 10) == 0 {
			known = "" // nobody could say from which
		}
		o.row(fmt.Sprintf("R-%06d-%02d", i+1, l+1), known, code, madeOn(i).AddDays(60+3*l).String(), "1", dispositions[m.pick(ofReturn, i, 2000+l, len(dispositions))])
	})
}

var moveReasons = []string{"tester", "broken", "gift", "own_use", "count"}

func (m *maker) unitMoves(o *out) {
	for i := range m.n {
		for p := range m.packings(i) {
			if n := m.moved(i, p); n > 0 {
				reason := moveReasons[m.pick(ofMove, i, 20+p, len(moveReasons))]
				note := ""
				if reason == "broken" {
					note = "Dropped, \"corner off\", not for sale"
				}
				o.row(fmt.Sprintf("U-%06d-%d", i+1, p+1), m.packingCode(i, p), m.packedOn(i, p).AddDays(3).String(), strconv.Itoa(-n), reason, note)
			}
		}
	}
}

func (m *maker) stockMoves(o *out) {
	for l := range m.drawn {
		n := m.stockMove(l)
		if n == 0 {
			continue
		}
		reason, note := "adjust", "Counted"
		if m.pick(ofStock, l, 5, 2) == 0 {
			reason, note = "write_off", "Spilled"
		}
		info := m.lotInfo(l)
		o.row(fmt.Sprintf("M-%06d", l+1), info.code, info.since.AddDays(30).String(), tenths(-n), reason, note)
	}
}

var places = []string{"Making room", "Cure room"}

// climate is a reading every three hours from each room, as long as batches are made and the last of them cure.
func (m *maker) climate(o *out) {
	last := madeOn(m.n - 1).AddDays(36)
	for p, place := range places {
		for k, on := 0, firstDay; !on.After(last); k, on = k+1, on.AddDays(1) {
			for hour := 0; hour < 24; hour += 3 {
				o.row(place, moment(on, hour*60), tenths(int64(160+p*15+m.pick(ofClimate, k*24+hour, 2+p, 50))), tenths(int64(420+m.pick(ofClimate, k*24+hour, 4+p, 180))))
			}
		}
	}
}
