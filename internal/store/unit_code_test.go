package store_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// marked is a workshop with two packings whose codes have check characters, and one that says something else.
func newMarkedShop(t *testing.T) (unitsShop, string, string) {
	t.Helper()
	h := newUnitsShop(t)
	var codes []string
	for seq := range 2 {
		code := made(t, "OB", h.today.AddDays(-60).String(), seq+1)
		h.packed(code, 40, 300)
		if err := h.RegisterCode(t.Context(), h.owner, code, h.batchOf(code)); err != nil {
			t.Fatal(err)
		}
		codes = append(codes, code)
	}
	return h, codes[0], codes[1]
}

func (h unitsShop) batchOf(code string) uuid.UUID {
	h.t.Helper()
	b, err := h.Batch(h.t.Context(), h.owner.Workshop, code)
	if err != nil {
		h.t.Fatal(err)
	}
	return uuid.UUID(b.ID)
}

func (h unitsShop) marks(n store.NewUnitCode) {
	h.t.Helper()
	if err := h.NoteUnitCode(h.t.Context(), h.helper, store.Entry{}, n); err != nil {
		h.t.Fatal(err)
	}
}

func (h unitsShop) find(query string) store.Found {
	h.t.Helper()
	f, err := h.Find(h.t.Context(), h.owner.Workshop, query)
	if err != nil {
		h.t.Fatal(err)
	}
	return f
}

// leads says where a code leads: its own batch, then the packings of others with how many and how.
func leads(c *store.FoundCode) []string {
	if c == nil {
		return nil
	}
	out := []string{"own " + c.Batch}
	for _, u := range c.Also {
		out = append(out, u.Packing+": "+u.Count()+", "+u.How())
	}
	return out
}

func TestACodeOnUnitsOfTwoPackingsLeadsToBoth(t *testing.T) {
	t.Parallel()
	h, a, b := newMarkedShop(t)
	if f := h.find(a); !f.Sure || f.Exact == nil || f.Exact.Leads() != 1 {
		t.Fatalf("before the mix-up: %+v", f)
	}
	h.marks(store.NewUnitCode{Packing: b, Code: a, Kind: "mix_up", Units: 12, Reason: "labels of the day before were left in the tray"})
	for _, query := range []string{a, strings.ToLower(a), strings.ReplaceAll(a, "-", " ")} {
		f := h.find(query)
		if diff := cmp.Diff([]string{"own " + a, b + ": 12 units, labels mixed up"}, leads(f.Exact)); diff != "" || f.Sure {
			t.Errorf("%q, sure %t (-want +got):\n%s", query, f.Sure, diff)
		}
	}
	// One character wrong: the near code says so too.
	wrong := a[:len(a)-2] + "9" + a[len(a)-1:]
	var near []string
	for _, c := range h.find(wrong).Near {
		if c.Code == a {
			near = leads(&c)
		}
	}
	if diff := cmp.Diff([]string{"own " + a, b + ": 12 units, labels mixed up"}, near); diff != "" {
		t.Errorf("near %q (-want +got):\n%s", wrong, diff)
	}
	// The other code leads to its own packing alone.
	if f := h.find(b); !f.Sure || f.Exact.Leads() != 1 {
		t.Errorf("%s: %+v", b, f.Exact)
	}
	h.stands()
}

func TestAMisprintIsFoundExactlyAndWithAMistake(t *testing.T) {
	t.Parallel()
	h, a, b := newMarkedShop(t)
	const printed = "OB-99999-77"
	h.marks(store.NewUnitCode{Packing: a, Code: printed, Kind: "misprint", Reason: "printer jammed"})
	h.marks(store.NewUnitCode{Packing: b, Code: printed, Kind: "misprint", Units: 3, Reason: "printer jammed still"})
	f := h.find("ob 99999 77")
	want := []string{"own ", a + ": an unknown number of units, misprinted", b + ": 3 units, misprinted"}
	if diff := cmp.Diff(want, leads(f.Exact)); diff != "" || f.Sure || f.Mistyped {
		t.Errorf("sure %t, mistyped %t (-want +got):\n%s", f.Sure, f.Mistyped, diff)
	}
	if f := h.find("ob 99979 77"); len(f.Near) != 1 || f.Near[0].Code != printed || f.Near[0].Leads() != 2 {
		t.Errorf("one digit wrong: %+v", f.Near)
	}
	// Whoever traces it is told where it stands.
	_, err := h.TraceBatch(t.Context(), h.owner.Workshop, printed)
	if f := fault.As(err); f == nil || f.Kind != fault.NotFound || !strings.Contains(f.Message, a+" and "+b) {
		t.Errorf("trace of it: %v", err)
	}
	page, err := h.UnitCodes(t.Context(), h.owner.Workshop, a)
	if err != nil || len(page.Own) != 1 {
		t.Fatal(err, page)
	}
	if err := h.WithdrawUnitCode(t.Context(), h.helper, store.Entry{}, a, page.Own[0].ID, "read from another box"); err != nil {
		t.Fatal(err)
	}
	if f := h.find(printed); f.Exact == nil || f.Exact.Leads() != 1 {
		t.Errorf("after one was taken back: %+v", f.Exact)
	}
	page, err = h.UnitCodes(t.Context(), h.owner.Workshop, a)
	if err != nil || len(page.Current()) != 0 || !page.Own[0].Replaced || page.Own[0].Why != "read from another box" || page.Own[0].WhyBy != "helper Quill" {
		t.Errorf("%+v, %v", page.Own, err)
	}
	other, err := h.UnitCodes(t.Context(), h.owner.Workshop, b)
	if err != nil || len(other.Own) != 1 {
		t.Fatal(err, other)
	}
	if err := h.WithdrawUnitCode(t.Context(), h.owner, store.Entry{}, b, other.Own[0].ID, "and that one"); err != nil {
		t.Fatal(err)
	}
	if f := h.find(printed); f.Exact != nil || len(f.Near) > 0 {
		t.Errorf("a code that leads nowhere is still found: %+v %+v", f.Exact, f.Near)
	}
	h.stands()
}

func TestATraceSaysWhatElseStandsOnItsUnits(t *testing.T) {
	t.Parallel()
	h, a, b := newMarkedShop(t)
	h.marks(store.NewUnitCode{Packing: b, Code: a, Kind: "relabelled", Units: 5, Reason: "sent in the wrong wrap, relabelled at the shop"})
	customer := h.customer("Harbour Street Pantry")
	h.send(customer, store.DispatchLine{Packing: b, Units: 7})
	summary := func(list []store.UnitCode) (out []string) {
		for _, u := range list {
			out = append(out, u.Code+" on "+u.Packing)
		}
		return out
	}
	f, err := h.TraceBatch(t.Context(), h.owner.Workshop, b)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{a + " on " + b}, summary(f.Marked)); diff != "" || len(f.Strangers) != 0 || f.Lines[0].AlsoMarked != a {
		t.Errorf("from %s: also %q, strangers %v\n%s", b, f.Lines[0].AlsoMarked, f.Strangers, diff)
	}
	f, err = h.TraceBatch(t.Context(), h.owner.Workshop, a)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{a + " on " + b}, summary(f.Strangers)); diff != "" || len(f.Marked) != 0 || f.Lines[0].AlsoMarked != "" {
		t.Errorf("from %s: marked %v\n%s", a, f.Marked, diff)
	}
	page, err := h.UnitCodes(t.Context(), h.owner.Workshop, a)
	if err != nil || len(page.Own) != 0 || len(page.Others) != 1 || page.Others[0].Packing != b {
		t.Errorf("on the page of %s: %+v, %v", a, page, err)
	}
}

func TestABadUnitCodeSaysWhatIsWrongBesideTheField(t *testing.T) {
	t.Parallel()
	h, a, b := newMarkedShop(t)
	good := store.NewUnitCode{Packing: b, Code: a, Kind: "mix_up", Units: 5, Reason: "labels mixed up"}
	for name, tc := range map[string]struct {
		change       func(*store.NewUnitCode)
		kind         fault.Kind
		field, words string
	}{
		"no code":               {func(n *store.NewUnitCode) { n.Code = " " }, fault.Invalid, "code", "What stands on them"},
		"nothing but dashes":    {func(n *store.NewUnitCode) { n.Code = "--" }, fault.Invalid, "code", "What stands on them"},
		"too long":              {func(n *store.NewUnitCode) { n.Code = strings.Repeat("A", 41) }, fault.Invalid, "code", "At most 40"},
		"its own":               {func(n *store.NewUnitCode) { n.Code = strings.ToLower(b) }, fault.Invalid, "code", "own code"},
		"a mix-up with nothing": {func(n *store.NewUnitCode) { n.Code = "ZZ-1" }, fault.Invalid, "code", "choose misprinted"},
		"of no kind":            {func(n *store.NewUnitCode) { n.Kind = "so" }, fault.Invalid, "kind", "Choose"},
		"more than there are":   {func(n *store.NewUnitCode) { n.Units = 41 }, fault.Invalid, "units", "only 40 units"},
		"no reason":             {func(n *store.NewUnitCode) { n.Reason = "" }, fault.Invalid, "reason", "Say how"},
		"too long a reason":     {func(n *store.NewUnitCode) { n.Reason = strings.Repeat("a", 1001) }, fault.Invalid, "reason", "At most"},
		"a day to come":         {func(n *store.NewUnitCode) { n.On = h.today.AddDays(1) }, fault.Invalid, "noted_on", "not come yet"},
		"before it was packed":  {func(n *store.NewUnitCode) { n.On = h.today.AddDays(-61) }, fault.Invalid, "noted_on", "packed only"},
		"a packing of nobody's": {func(n *store.NewUnitCode) { n.Packing = "ZZ-1" }, fault.NotFound, "", "no packing"},
	} {
		t.Run(name, func(t *testing.T) {
			n := good
			tc.change(&n)
			packFault(t, h.NoteUnitCode(t.Context(), h.helper, store.Entry{}, n), tc.kind, tc.field, tc.words)
		})
	}
	h.marks(good)
	packFault(t, h.NoteUnitCode(t.Context(), h.helper, store.Entry{}, good), fault.Invalid, "code", "noted for the packing already")
	page, err := h.UnitCodes(t.Context(), h.owner.Workshop, b)
	if err != nil || len(page.Own) != 1 {
		t.Fatal(err, page)
	}
	other := h.helper
	other.Person, other.Role = h.owner.Person, access.Helper
	packFault(t, h.WithdrawUnitCode(t.Context(), other, store.Entry{}, b, page.Own[0].ID, "not mine"), fault.Forbidden, "", "maker")
	packFault(t, h.WithdrawUnitCode(t.Context(), h.helper, store.Entry{}, a, page.Own[0].ID, "of another packing"), fault.NotFound, "", "not in the book")
	packFault(t, h.WithdrawUnitCode(t.Context(), h.helper, store.Entry{}, b, page.Own[0].ID, ""), fault.Invalid, "reason", "Say why")
	packOK(t, h.WithdrawUnitCode(t.Context(), h.helper, store.Entry{}, b, page.Own[0].ID, "typed wrong"))
	packFault(t, h.WithdrawUnitCode(t.Context(), h.helper, store.Entry{}, b, page.Own[0].ID, "again"), fault.Conflict, "", "already")
	if key := batchcode.Fold(a); h.find(key).Exact.Leads() != 1 {
		t.Error("the code still leads to both")
	}
}
