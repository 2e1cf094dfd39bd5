package store_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// unitsShop is a workshop with an owner and a helper, and an older book to take packings from.
type unitsShop struct {
	*store.Store
	t             testing.TB
	db            pgtest.DB
	book          *pgtest.Book
	owner, helper store.Who
	soap          uuid.UUID
	today         day.Day
}

func newUnitsShop(t testing.TB) unitsShop {
	t.Helper()
	s, db := pgtest.Begun(t, "units", func(ctx context.Context, s *store.Store, workshop store.WorkshopID) error {
		for _, role := range []access.Role{access.Owner, access.Helper} {
			if _, err := s.AddPerson(ctx, store.Who{Workshop: workshop, Actor: "system"}, store.Entry{}, store.NewPerson{Email: string(role) + "@quillmoor.example.org", Name: string(role) + " Quill", Role: role}, time.Now()); err != nil {
				return err
			}
		}
		return nil
	})
	workshop := store.WorkshopID(db.Workshop)
	h := unitsShop{Store: s, t: t, db: db, book: pgtest.History(t, db, db.Workshop), today: day.In(time.Now(), time.UTC)}
	people, err := s.People(context.Background(), workshop)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range people {
		who := store.Who{Workshop: workshop, Person: p.ID, Name: p.Name, Role: access.Role(p.Role), Actor: "person", Device: "test"}
		if who.Role == access.Owner {
			h.owner = who
		} else {
			h.helper = who
		}
	}
	h.soap = h.book.Product("SB", "Oat soap bar")
	return h
}

// packed adds a released packing of soap, made 60 days ago, that is in date for so many days more; 0 days is no date.
func (h unitsShop) packed(code string, good, daysLeft int) uuid.UUID {
	h.t.Helper()
	return h.packedAs(code, good, daysLeft, "released")
}

func (h unitsShop) packedAs(code string, good, daysLeft int, status string) uuid.UUID {
	h.t.Helper()
	best := ""
	if daysLeft != 0 {
		best = h.today.AddDays(daysLeft).String()
	}
	return h.book.Batch(code, batchcode.Fold(code), h.soap, h.today.AddDays(-60).String(), good, status, best).Packing
}

func (h unitsShop) customer(name string) string {
	h.t.Helper()
	code, err := h.AddCustomer(context.Background(), h.owner, store.Entry{}, store.Customer{Name: name, Kind: "stockist"})
	if err != nil {
		h.t.Fatal(err)
	}
	return code
}

// send records a dispatch that has to succeed.
func (h unitsShop) send(customer string, lines ...store.DispatchLine) string {
	h.t.Helper()
	code, err := h.Dispatch(context.Background(), h.owner, store.Entry{}, store.NewDispatch{Customer: customer, On: h.today, Lines: lines})
	if err != nil {
		h.t.Fatal(err)
	}
	return code
}

func (h unitsShop) units(code string) store.UnitsPage {
	h.t.Helper()
	page, err := h.PackingUnits(context.Background(), h.owner.Workshop, code)
	if err != nil {
		h.t.Fatal(err)
	}
	return page
}

// onHand checks what the book holds of a packing, and that the whole book still stands: the chain, each record, and no
// ledger below zero.
func (h unitsShop) onHand(code string, want int) {
	h.t.Helper()
	if got := h.units(code).OnHand; got != want {
		h.t.Errorf("on hand of %s: %d, want %d", code, got, want)
	}
	h.stands()
}

func (h unitsShop) stands() {
	h.t.Helper()
	verdicts, err := store.Verify(context.Background(), h.db.OwnerURL)
	if err != nil {
		h.t.Fatal(err)
	}
	for _, v := range verdicts {
		for _, broken := range v.Broken {
			h.t.Errorf("verify: %s", broken)
		}
	}
}

// unitsAsk reads one value as the owner.
func unitsAsk[T any](h unitsShop, query string, args ...any) T {
	h.t.Helper()
	conn, err := pgx.Connect(context.Background(), h.db.OwnerURL)
	if err != nil {
		h.t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var v T
	if err := conn.QueryRow(context.Background(), query, args...).Scan(&v); err != nil {
		h.t.Fatal(err)
	}
	return v
}

// unitsSays checks the words beside a field of a refusal.
func unitsSays(t testing.TB, err error, field, want string) {
	t.Helper()
	f := fault.As(err)
	if f == nil {
		t.Errorf("not refused: %v, want %q beside %s", err, want, field)
		return
	}
	if got := f.Of(field); got != want {
		t.Errorf("beside %s: %q, want %q (all: %v %s)", field, got, want, f.Fields, f.Message)
	}
}

// elsewhere adds a second workshop on the same database with one released packing, a customer and a dispatch.
func (h unitsShop) elsewhere() (packing, customer, dispatch string) {
	h.t.Helper()
	conn, err := pgx.Connect(context.Background(), h.db.OwnerURL)
	if err != nil {
		h.t.Fatal(err)
	}
	defer conn.Close(context.Background())
	id := uuid.Must(uuid.NewV7())
	if _, err := conn.Exec(context.Background(), `INSERT INTO workshop (id, code, name) VALUES ($1, 'other', 'Sedgebank Workshop')`, id); err != nil {
		h.t.Fatal(err)
	}
	book := pgtest.History(h.t, h.db, id)
	p := book.Batch("ZZ-1", batchcode.Fold("ZZ-1"), book.Product("ZZ", "Other soap"), "2026-01-05", 10, "released", "")
	book.Dispatch("D-0001", book.Customer("OTHER", "Other Shop", "stockist"), p.Packing, 3, "2026-01-06")
	return "ZZ-1", "OTHER", "D-0001"
}

func unitsLine(code string, units int) store.DispatchLine {
	return store.DispatchLine{Packing: code, Units: units}
}

func unitsYearCode(letter string, year, n int) string {
	return fmt.Sprintf("%s-%d-%04d", letter, year, n)
}
