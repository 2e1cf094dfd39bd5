package store_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// coded adds a batch whose code can be looked up.
func (b traceBook) coded(t *testing.T, code string, good int) pgtest.Packed {
	t.Helper()
	p := b.batch(code, good)
	if err := b.RegisterCode(t.Context(), b.owner, code, p.Batch); err != nil {
		t.Fatal(err)
	}
	return p
}

// made is a code of the workshop's pattern, with its check character.
func made(t testing.TB, letters string, on string, seq int) string {
	t.Helper()
	p, err := batchcode.ParsePattern(batchcode.DefaultPattern)
	if err != nil {
		t.Fatal(err)
	}
	code, err := p.Code(letters, day.Must(on), seq)
	if err != nil {
		t.Fatal(err)
	}
	return code
}

func (b traceBook) find(t *testing.T, query string) store.Found {
	t.Helper()
	f, err := b.Find(t.Context(), b.owner.Workshop, query)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func foundCodes(list []store.FoundCode) []string {
	var out []string
	for _, c := range list {
		out = append(out, c.Code)
	}
	return out
}

func foundItems(f store.Found) []string {
	var out []string
	for _, g := range f.Groups {
		for _, i := range g.Items {
			out = append(out, g.Kind+" "+i.Code)
		}
	}
	return out
}

func TestACodeReadOutWithoutAMistakeProvesItself(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	code := made(t, "OB", "2026-11-01", 1) // OB-26305-01S
	x := b.coded(t, code, 10)
	b.coded(t, made(t, "OB", "2026-11-01", 2), 10)
	later := batchcode.PackingCode(code, 2, true)
	b.packing(x.Batch, 2, later, 5)
	if err := b.RegisterCode(t.Context(), b.owner, later, x.Batch); err != nil {
		t.Fatal(err)
	}
	for _, query := range []string{code, strings.ToLower(code), "ob 26305 01s", "o.b.2/6305.01 s", "0B-263O5-OIS", " " + code + " "} {
		f := b.find(t, query)
		if f.Exact == nil || f.Exact.Code != code || f.Exact.Batch != code || !f.Sure {
			t.Errorf("%q: %+v", query, f)
			continue
		}
		if e := f.Exact; e.Name != "Sage bar" || e.MadeOn != day.Must("2026-02-01") || e.BestBefore != day.Must("2027-02-01") || e.Status != "released" {
			t.Errorf("%q stands for %+v", query, *e)
		}
	}
	if f := b.find(t, later); f.Exact == nil || !f.Sure || f.Exact.Code != later || f.Exact.Batch != code || f.Exact.PackedOn != day.Must("2026-03-08") {
		t.Errorf("a later packing %q: %+v", later, f.Exact)
	}
}

func TestACodeWithoutACheckCharacterIsConfirmedBesideItsNeighbours(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	for _, code := range []string{"LAV 7/25", "LAV 8/25", "LAV 78/25", "ROSE 7/25"} {
		b.coded(t, code, 10)
	}
	f := b.find(t, "lav7-25")
	if f.Exact == nil || f.Exact.Code != "LAV 7/25" || f.Sure || f.Mistyped || f.NotOurs {
		t.Fatalf("found %+v", f)
	}
	traceSame(t, "near", foundCodes(f.Near), []string{"LAV 78/25", "LAV 8/25"})
}

// A last letter may fit by chance; it proves nothing where no pattern of the workshop put it there.
func TestACheckCharacterThatNoPatternGaveProvesNothing(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	body := "LAV7"
	check, err := batchcode.Check(body)
	if err != nil {
		t.Fatal(err)
	}
	code := body + string(check)
	b.coded(t, code, 10)
	if f := b.find(t, code); f.Exact == nil || f.Sure {
		t.Errorf("found %+v", f)
	}
}

func TestOneMistakeIsFoundAndNeverChosen(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	code := made(t, "OB", "2026-11-01", 1)
	b.coded(t, code, 10)
	b.coded(t, made(t, "HS", "2026-11-02", 7), 10)
	for name, query := range map[string]string{
		"one wrong":     "OB-26306-01S",
		"one missing":   "OB-2635-01S",
		"one too many":  "OB-263055-01S",
		"two swapped":   "OB-26350-01S",
		"wrong check":   "OB-26305-01T",
		"missing check": "OB-26305-01",
		"wrong letters": "PB-26305-01S",
	} {
		f := b.find(t, query)
		if f.Exact != nil || f.Sure || f.Straight != nil {
			t.Errorf("%s: %q was taken for %+v", name, query, f.Exact)
		}
		traceSame(t, name, foundCodes(f.Near), []string{code})
	}
	for name, query := range map[string]string{"two wrong": "OB-26316-01S", "something else": "ZZ-99999-99Z", "half a code": "OB-26305"} {
		if f := b.find(t, query); f.Exact != nil || len(f.Near) > 0 {
			t.Errorf("%s: %q found %v", name, query, f.Near)
		}
	}
}

func TestTheCheckCharacterTellsMistypedFromNotOurs(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	b.coded(t, made(t, "OB", "2026-11-01", 1), 10)
	stranger := made(t, "OB", "2026-12-24", 3)
	wrong := stranger[:len(stranger)-1] + map[bool]string{true: "A", false: "B"}[!strings.HasSuffix(stranger, "A")]
	for name, c := range map[string]struct {
		query             string
		mistyped, notOurs bool
	}{
		"shaped so, wrong check":   {wrong, true, false},
		"shaped so, right check":   {stranger, false, true},
		"no shape of ours":         {"4012345678901", false, false},
		"a word":                   {"lavender", false, false},
		"ours":                     {made(t, "OB", "2026-11-01", 1), false, false},
		"one wrong, near ours":     {"OB-26306-01S", true, false},
		"shape of no pattern used": {"2026-OB-17", false, false},
	} {
		f := b.find(t, c.query)
		if f.Mistyped != c.mistyped || f.NotOurs != c.notOurs {
			t.Errorf("%s: %q: mistyped %t, not ours %t", name, c.query, f.Mistyped, f.NotOurs)
		}
	}
}

func TestWhateverIsReadOutInRandomCodesIsFoundAsTheRuleSays(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	var codes []string
	for seq := 1; seq <= 30; seq++ {
		code := made(t, []string{"OB", "HS", "LV"}[seq%3], "2026-11-01", seq)
		b.coded(t, code, 1)
		codes = append(codes, code)
	}
	rapid.Check(t, func(rt *rapid.T) {
		query := rapid.SampledFrom(codes).Draw(rt, "code")
		at := rapid.IntRange(0, len(query)-1).Draw(rt, "at")
		letter := string(rapid.SampledFrom([]byte("ABO0I1LZ259- ")).Draw(rt, "letter"))
		switch rapid.IntRange(0, 4).Draw(rt, "mistake") {
		case 0:
			query = query[:at] + letter + query[at+1:]
		case 1:
			query = query[:at] + query[at+1:]
		case 2:
			query = query[:at] + letter + query[at:]
		case 3:
			if at > 0 {
				query = query[:at-1] + query[at:at+1] + query[at-1:at] + query[at+1:]
			}
		}
		f, err := b.Find(t.Context(), b.owner.Workshop, query)
		if err != nil {
			rt.Fatal(err)
		}
		got := foundCodes(f.Near)
		if f.Exact != nil {
			got = append([]string{f.Exact.Code}, got...)
			if batchcode.Fold(f.Exact.Code) != batchcode.Fold(query) {
				rt.Fatalf("%q was taken for %q", query, f.Exact.Code)
			}
		}
		if want := batchcode.Rank(query, codes); !slices.Equal(got, want) {
			rt.Fatalf("%q: found %v, the rule ranks %v", query, got, want)
		}
	})
}

// findShelf is a book with one thing of each kind.
func findShelf(t *testing.T) traceBook {
	t.Helper()
	b := newTraceBook(t)
	add := func(kind string, id uuid.UUID, name, code string) {
		if err := b.IndexThing(t.Context(), b.owner, kind, id, name, code); err != nil {
			t.Fatal(err)
		}
	}
	x := b.coded(t, made(t, "OB", "2026-11-01", 1), 10)
	add("material", b.material, "Oat oil", "OO")
	add("product", b.product, "Sage bar", "SB")
	for _, code := range []string{"OO-0042", "OO-0043"} {
		add("lot", b.Lot(code, b.material, 500), "", code)
	}
	shop := b.Customer("HSP", "Harbour Street Pantry", "stockist")
	add("customer", shop, "Harbour Street Pantry", "HSP")
	fair := b.Customer("SSF", "Sedgebank Summer Fair", "event")
	add("customer", fair, "Sedgebank Summer Fair", "SSF")
	add("dispatch", b.Dispatch("D-2026-0001", shop, x.Packing, 3, "2026-11-20"), "", "D-2026-0001")
	if _, err := b.AddSupplier(t.Context(), b.owner, store.Entry{}, store.Supplier{Name: "Harbour Oils"}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.ReceiveLot(t.Context(), b.owner, store.Entry{}, store.Receipt{Material: "OO", Supplier: "HO", SupplierLot: "7731-B", ReceivedOn: day.Must("2026-03-12"), Quantity: decimal.NewFromInt(1000)}); err != nil {
		t.Fatal(err)
	}
	return b
}

func TestEverythingIsFoundByItsCodeAndTheBeginningsOfItsWords(t *testing.T) {
	t.Parallel()
	b := findShelf(t)
	for query, want := range map[string][]string{
		"harbour":           {"customer HSP", "supplier HO"},
		"HARB":              {"customer HSP", "supplier HO"},
		"pantry, harbour":   {"customer HSP"},
		"harbour sedgebank": nil,
		"sage":              {"product SB"},
		"oo":                {"lot OO-0042", "lot OO-0043", "material OO", "lot OO-0001"},
		"OO 004":            {"lot OO-0042", "lot OO-0043"},
		"7731 b":            {"supplier_lot OO-0001"},
		"d2026":             {"dispatch D-2026-0001"},
		"ob-26":             {"batch OB-26305-01S"},
		"oil":               {"material OO", "supplier HO"},
		"oils":              {"supplier HO"},
		"ils":               nil,
		"%":                 nil,
		"":                  nil,
		"_":                 nil,
		"o' OR true --":     nil,
		"harbour\x00street": {"customer HSP"},
	} {
		got := foundItems(b.find(t, query))
		slices.Sort(got)
		slices.Sort(want)
		traceSame(t, fmt.Sprintf("%q", query), got, want)
	}
}

func TestTheOnlyLotOrDispatchOfACodeIsGoneToStraight(t *testing.T) {
	t.Parallel()
	b := findShelf(t)
	for query, want := range map[string]string{"oo 0042": "lot OO-0042", "OO-0O42": "lot OO-0042", "D-2026-0001": "dispatch D-2026-0001", "OO-004": "", "7731-B": "", "harbour": "", "HSP": ""} {
		got := ""
		if s := b.find(t, query).Straight; s != nil {
			got = s.Kind + " " + s.Code
		}
		if got != want {
			t.Errorf("%q goes to %q, want %q", query, got, want)
		}
	}
	// As soon as two things have the code, both are shown.
	if err := b.IndexThing(t.Context(), b.owner, "lot", b.Lot("OO0042", b.material, 5), "", "OO0042"); err != nil {
		t.Fatal(err)
	}
	if s := b.find(t, "oo-0042").Straight; s != nil {
		t.Errorf("two lots have the code, and it went to %s", s.Code)
	}
}

func TestALookUpStaysInItsWorkshop(t *testing.T) {
	t.Parallel()
	b := findShelf(t)
	second := sessionSecondShop(t, b.house)
	for _, query := range []string{"OB-26305-01S", "oo-0042", "harbour", "sage"} {
		f, err := b.Find(t.Context(), second, query)
		if err != nil || f.Exact != nil || len(f.Near) > 0 || len(f.Groups) > 0 {
			t.Errorf("%q of another workshop: %+v, %v", query, f, err)
		}
	}
}

func TestAPurchaseWithoutACodeRanksPackingsByTheUnitsSentThere(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	shop, twin := b.Customer("HSP", "Harbour Street Pantry", "stockist"), b.Customer("HSB", "Harbour Street Books", "stockist")
	for id, code := range map[uuid.UUID]string{shop: "HSP", twin: "HSB"} {
		if err := b.IndexThing(t.Context(), b.owner, "customer", id, "Harbour Street "+map[string]string{"HSP": "Pantry", "HSB": "Books"}[code], code); err != nil {
			t.Fatal(err)
		}
	}
	other := b.Product("RB", "Rose bar")
	many, few, old := b.batch("OB-26001-01", 99), b.batch("OB-26001-02", 99), b.batch("OB-25001-01", 99)
	rose := b.Batch("RB-26001-01", "RB2600101", other, "2026-02-01", 99, "released", "")
	b.Dispatch("D-1", shop, few.Packing, 3, "2026-03-01")
	sent := b.Dispatch("D-2", shop, many.Packing, 40, "2026-03-02")
	b.Dispatch("D-3", shop, old.Packing, 50, "2025-03-02")
	b.Dispatch("D-4", shop, rose.Packing, 60, "2026-03-03")
	b.Dispatch("D-5", twin, many.Packing, 7, "2026-03-03")
	b.Dispatch("D-6", shop, few.Packing, 20, "2026-03-31")
	for i, on := range []string{"2026-03-10", "2026-04-10"} {
		b.Do(pgtest.Statement{SQL: `INSERT INTO unit_return (workshop_id, id, code, dispatch_id, packing_id, returned_on, units, disposition, change_id) VALUES ($1, $3, $4, $5, $6, $7, 3, 'restock', $2)`,
			Args: []any{uuid.Must(uuid.NewV7()), fmt.Sprintf("R-%d", i), sent, many.Packing, on}})
	}
	for name, c := range map[string]struct {
		ask  store.Purchase
		want []string
	}{
		// Of the 40 three had come back by then, three more came later; 20 of the other batch were sent after the purchase.
		"all three known":     {store.Purchase{Product: "SB", Place: "HSP", On: day.Must("2026-03-20"), BackDays: 92}, []string{"OB-26001-01 37 of 40: HSP 37", "OB-26001-02 3 of 40: HSP 3"}},
		"place in words":      {store.Purchase{Product: "SB", Place: "pantry", On: day.Must("2026-03-20"), BackDays: 92}, []string{"OB-26001-01 37 of 40: HSP 37", "OB-26001-02 3 of 40: HSP 3"}},
		"place of two":        {store.Purchase{Product: "SB", Place: "harbour", On: day.Must("2026-03-20"), BackDays: 92}, []string{"OB-26001-01 44 of 47: HSP 37, HSB 7", "OB-26001-02 3 of 47: HSP 3"}},
		"no place":            {store.Purchase{Product: "SB", On: day.Must("2026-03-01"), BackDays: 7}, []string{"OB-26001-02 3 of 3: HSP 3"}},
		"no product":          {store.Purchase{Place: "HSP", On: day.Must("2026-03-03"), BackDays: 1}, []string{"RB-26001-01 60 of 100: HSP 60", "OB-26001-01 40 of 100: HSP 40"}},
		"far enough back":     {store.Purchase{Product: "SB", Place: "HSP", On: day.Must("2025-03-02"), BackDays: 1}, []string{"OB-25001-01 50 of 50: HSP 50"}},
		"nothing was sent so": {store.Purchase{Product: "RB", Place: "HSB", On: day.Must("2026-03-20"), BackDays: 92}, nil},
	} {
		a, err := b.WhatWasBought(t.Context(), b.owner.Workshop, c.ask)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var got []string
		for _, s := range a.Sold {
			var to []string
			for _, x := range s.To {
				to = append(to, fmt.Sprintf("%s %d", x.Code, x.Units))
			}
			got = append(got, fmt.Sprintf("%s %d of %d: %s", s.Packing, s.Units, a.Total, strings.Join(to, ", ")))
		}
		traceSame(t, name, got, c.want)
	}
	for name, c := range map[string]struct {
		ask    store.Purchase
		fields []string
	}{
		"nothing":             {store.Purchase{}, []string{"back", "on", "product"}},
		"an unknown product":  {store.Purchase{Product: "ZZ", On: day.Must("2026-03-20"), BackDays: 9}, []string{"product"}},
		"an unknown place":    {store.Purchase{Place: "Nowhere", On: day.Must("2026-03-20"), BackDays: 9}, []string{"place"}},
		"a place of no words": {store.Purchase{Place: "--", On: day.Must("2026-03-20"), BackDays: 9}, []string{"place"}},
		"too far back":        {store.Purchase{Product: "SB", On: day.Must("2026-03-20"), BackDays: 5000}, []string{"back"}},
	} {
		_, err := b.WhatWasBought(t.Context(), b.owner.Workshop, c.ask)
		f := fault.As(err)
		if f == nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		traceSame(t, name, f.Names(), c.fields)
	}
}
