package store_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func TestACustomerGetsACodeFromTheName(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	if a, b := h.customer("Harbour Street Pantry"), h.customer("Hill Soap Place"); a != "HSP" || b != "HSP2" {
		t.Errorf("codes %s and %s, want HSP and HSP2", a, b)
	}
	for name, want := range map[string]int{"harbour": 1, "hsp": 1, "soap": 1, "hsp2": 1} {
		if got := unitsAsk[int](h, `SELECT count(*) FROM search_key WHERE kind = 'customer' AND key = $1`, name); got != want {
			t.Errorf("%q is found %d times, want %d", name, got, want)
		}
	}
	h.stands()
}

func TestABadCustomerIsToldInWords(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.customer("Harbour Street Pantry")
	good := store.Customer{Name: "I. Okafor", Kind: "online"}
	for _, row := range []struct {
		name, field, want string
		change            func(*store.Customer)
	}{
		{"no name", "name", "Write the customer's name, up to 200 characters.", func(c *store.Customer) { c.Name = " " }},
		{"a name too long", "name", "Write the customer's name, up to 200 characters.", func(c *store.Customer) { c.Name = strings.Repeat("n", 201) }},
		{"no kind", "kind", "Choose what kind of customer: stockist, online, event or direct.", func(c *store.Customer) { c.Kind = "" }},
		{"a code that is taken", "code", "Another customer has this code.", func(c *store.Customer) { c.Code = "HSP" }},
		{"a code with a space", "code", "A code is letters, digits, - . and _, without spaces.", func(c *store.Customer) { c.Code = "H P" }},
		{"a telephone too long", "phone", "At most 60 characters, please.", func(c *store.Customer) { c.Phone = strings.Repeat("1", 61) }},
		{"an address too long", "address", "At most 500 characters, please.", func(c *store.Customer) { c.Address = strings.Repeat("a", 501) }},
	} {
		t.Run(row.name, func(t *testing.T) {
			c := good
			row.change(&c)
			_, err := h.AddCustomer(t.Context(), h.owner, store.Entry{}, c)
			unitsSays(t, err, row.field, row.want)
		})
	}
	bad := good
	bad.Email = "not an address"
	if _, err := h.AddCustomer(t.Context(), h.owner, store.Entry{}, bad); fault.As(err) == nil || fault.As(err).Of("email") == "" {
		t.Errorf("a bad address: %v, want a fault beside email", err)
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM customer`); n != 1 {
		t.Errorf("%d customers, want 1", n)
	}
}

func TestCustomersAreListedByNameAPageAtATime(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	for _, name := range []string{"pantry", "Apothecary", "Zest", "Pantry", "bazaar"} {
		h.customer(name)
	}
	var names []string
	after := ""
	for range 4 {
		page, next, err := h.Customers(t.Context(), h.owner.Workshop, after, 2)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range page {
			names = append(names, c.Code)
		}
		if after = next; next == "" {
			break
		}
	}
	if diff := cmp.Diff([]string{"AP", "BA", "PA", "PA2", "ZE"}, names); diff != "" {
		t.Error(diff)
	}
}

func TestACustomerIsFoundAsTheyWereWritten(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	for _, name := range []string{"Pantry", "Zest", "pantry", "Hall (North)"} {
		h.customer(name)
	}
	for _, row := range []struct{ typed, code, fault string }{
		{"ZE", "ZE", ""},
		{" zest ", "ZE", ""},
		{"Zest (ZE)", "ZE", ""},
		{"Pantry (PA2)", "PA2", ""},
		{"Hall (North)", "HN", ""},
		{"PA", "PA", ""},
		{"Pantry", "", "Several are called that: write the code, one of PA, PA2."},
		{"Zes", "", "No customer is called that. Choose one from the list, or write a new one below."},
	} {
		t.Run(row.typed, func(t *testing.T) {
			c, err := h.CustomerNamed(t.Context(), h.owner.Workshop, row.typed)
			if row.fault == "" && (err != nil || c.Code != row.code) {
				t.Errorf("%s, %v; want %s", c.Code, err, row.code)
			}
			if f := fault.As(err); row.fault != "" && (f == nil || f.Message != row.fault) {
				t.Errorf("%v, want %q", err, row.fault)
			}
		})
	}
}

func TestACustomersPageSaysWhatTheyHold(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 20, 100)
	h.packed("SB-2", 20, 100)
	shop := h.customer("Pantry")
	first := h.send(shop, unitsLine("SB-1", 6), unitsLine("SB-2", 2))
	h.send(shop, unitsLine("SB-1", 3))
	h.send(h.customer("Zest"), unitsLine("SB-1", 5))
	if _, err := h.Return(t.Context(), h.owner, store.Entry{}, store.NewReturn{Dispatch: first, Packing: "SB-1", On: h.today, Units: 4, Disposition: "restock"}); err != nil {
		t.Fatal(err)
	}
	page, err := h.Customer(t.Context(), h.owner.Workshop, shop, store.CustomerKeys{}, 1)
	if err != nil {
		t.Fatal(err)
	}
	older, err := h.Customer(t.Context(), h.owner.Workshop, shop, page.Next, 1)
	if err != nil || len(older.Dispatches) != 1 || older.Dispatches[0].Code != first || older.Next != (store.CustomerKeys{}) {
		t.Errorf("older: %v, %v, %v; want %s alone", older.Dispatches, older.Next, err, first)
	}
	got := map[string][3]int{}
	for _, l := range slices.Concat(page.Holdings, older.Holdings) {
		got[l.Packing] = [3]int{l.Sent, l.Returned, l.Out()}
	}
	if diff := cmp.Diff(map[string][3]int{"SB-1": {9, 4, 5}, "SB-2": {2, 0, 2}}, got); diff != "" {
		t.Error(diff)
	}
	for name, p := range map[string]store.CustomerPage{"first": page, "second": older} {
		if p.Sent != 11 || p.Returned != 4 || p.Packings != 2 || len(p.Dispatches) != 1 || len(p.Holdings) != 1 {
			t.Errorf("%s page: sent %d, returned %d, %d packings, %d dispatches, %d holdings", name, p.Sent, p.Returned, p.Packings, len(p.Dispatches), len(p.Holdings))
		}
	}
}

func TestACorrectionOfACustomerWrittenOnAnOldPageIsRefused(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	code := h.customer("Pantry")
	c, seen, err := h.CustomerSeen(t.Context(), h.owner.Workshop, code)
	if err != nil {
		t.Fatal(err)
	}
	c.Phone = "01632 960001"
	if err := h.CorrectCustomer(t.Context(), h.owner, store.Entry{}, c, seen, "new number"); err != nil {
		t.Fatal(err)
	}
	c.Phone = ""
	if err := h.CorrectCustomer(t.Context(), h.owner, store.Entry{}, c, seen, "from an old page"); !fault.Is(err, fault.Conflict) {
		t.Errorf("from an old page: %v, want a conflict", err)
	}
	if err := h.CorrectCustomer(t.Context(), h.helper, store.Entry{}, c, "", "not theirs"); !fault.Is(err, fault.Forbidden) {
		t.Errorf("by a helper who did not add them: %v, want forbidden", err)
	}
	unitsSays(t, h.CorrectCustomer(t.Context(), h.owner, store.Entry{}, c, "", " "), "reason", "Say why: the old value is kept beside the new one.")
	now, _, err := h.CustomerSeen(t.Context(), h.owner.Workshop, code)
	if err != nil || now.Phone != "01632 960001" {
		t.Errorf("the telephone is %q, %v", now.Phone, err)
	}
	h.stands()
}

func TestACustomersNameAndAddressStandInTheTrailAsHashesOnly(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	if _, err := h.AddCustomer(t.Context(), h.owner, store.Entry{}, store.Customer{Name: "Ifeoma Okafor", Kind: "online", Contact: store.Contact{Email: "ifeoma@example.org", Phone: "01632 960002", Address: "7 Mill Lane"}}); err != nil {
		t.Fatal(err)
	}
	trail := unitsAsk[string](h, `SELECT string_agg(new::text, ' ') FROM audit WHERE table_name = 'customer'`)
	for _, personal := range []string{"Ifeoma", "Okafor", "960002", "Mill Lane"} {
		if strings.Contains(trail, personal) {
			t.Errorf("the trail holds %q", personal)
		}
	}
	if !strings.Contains(trail, "keyed:") {
		t.Error("the trail holds no keyed hash")
	}
}
