package today_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func TestAnEmptyWorkshopIsToldHowToBegin(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	page := site.As(access.Owner).Get("/")
	if page.Status != 200 || !strings.Contains(page.Text("main"), "Nothing is open yet") || page.Find("main a").Length() != 1 || page.Find("main a[href='/materials']").Length() != 1 {
		t.Errorf("%d: %s", page.Status, page.Text("main"))
	}
	// Later a day without anything open is no beginning.
	if _, err := site.Store.AddFormula(t.Context(), site.Who(access.Maker), store.Entry{}, store.NewFormula{Name: "Oat balm", Letters: "OB"}); err != nil {
		t.Fatal(err)
	}
	later := site.As(access.Owner).Get("/")
	if !strings.Contains(later.Text("main"), "Nothing is open. Plan") || later.Find("main a[href='/plans/new']").Length() != 1 {
		t.Errorf("later: %s", later.Text("main"))
	}
}

func TestTodayShowsWhatWaitsAndWhatRunsOut(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	maker := site.Who(access.Maker)
	today := day.In(time.Now(), time.UTC)
	book := pgtest.History(t, site.DB, uuid.UUID(maker.Workshop))
	balm := book.Product("OB50", "Oat balm")
	for _, b := range []struct {
		code, status string
		best         day.Day
	}{
		{"OB-1", "quarantined", today.AddDays(500)},
		{"OB-2", "released", today.AddDays(20)},
		{"OB-3", "released", today.AddDays(-2)},
		{"OB-4", "released", today.AddDays(500)},
	} {
		book.Batch(b.code, batchcode.Fold(b.code), balm, today.AddDays(-30).String(), 10, b.status, b.best.String())
	}
	if _, err := site.Store.AddMaterial(t.Context(), maker, store.Entry{}, store.Material{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true}); err != nil {
		t.Fatal(err)
	}
	for _, expires := range []day.Day{today.AddDays(30), today.AddDays(900)} {
		if _, err := site.Store.ReceiveLot(t.Context(), maker, store.Entry{}, store.Receipt{Material: "OO", ReceivedOn: today, ExpiresOn: expires, Quantity: decimal.NewFromInt(100), Release: true}); err != nil {
			t.Fatal(err)
		}
	}
	text := site.As(access.Viewer).Get("/").Text("main")
	for _, want := range []string{"1 waits for release", "OB-1", "OB-2", "Until " + today.AddDays(20).Long(), "OB-3", "Out since " + today.AddDays(-2).Long(), "OO-0001", "Until " + today.AddDays(30).Long()} {
		if !strings.Contains(text, want) {
			t.Errorf("today does not say %q: %s", want, text)
		}
	}
	for _, not := range []string{"OB-4", "OO-0002", "Plan a batch", "Receive a lot"} {
		if strings.Contains(text, not) {
			t.Errorf("today says %q to a viewer: %s", not, text)
		}
	}
}

func TestTodayCountsWhatGoesShort(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	ctx, maker, today := t.Context(), site.Who(access.Maker), day.In(time.Now(), time.UTC)
	fine := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	_, err := site.Store.AddMaterial(ctx, maker, store.Entry{}, store.Material{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true})
	fine(err)
	_, err = site.Store.AddFormula(ctx, maker, store.Entry{}, store.NewFormula{Code: "OB", Name: "Oat balm", Letters: "OB", Yields: "units"})
	fine(err)
	v, err := site.Store.FormulaVersion(ctx, maker.Workshop, "OB", 1)
	fine(err)
	hundred := decimal.NewFromInt(100)
	v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: hundred, Lines: []store.FormulaLine{{Kind: "material", MaterialCode: "OO", Basis: "share", Amount: hundred}}}}
	fine(site.Store.SaveDraft(ctx, maker, store.Entry{}, "OB", v))
	fine(site.Store.ApproveFormula(ctx, maker, store.Entry{}, "OB", 1))
	_, err = site.Store.MakePlan(ctx, maker, store.NewPlan{Formula: "OB", MassG: decimal.NewFromInt(1000), On: today})
	fine(err)
	if link := site.As(access.Viewer).Get("/").Find("main a[href='/order']"); link.Length() != 1 || !strings.HasPrefix(link.Text(), "1 thing goes short") {
		t.Errorf("nothing of it is there, and today says %q", link.Text())
	}
	_, err = site.Store.ReceiveLot(ctx, maker, store.Entry{}, store.Receipt{Material: "OO", NewSupplier: "Sedgebank Trading", ReceivedOn: today, Quantity: decimal.NewFromInt(1000), Release: true})
	fine(err)
	if link := site.As(access.Viewer).Get("/").Find("main a[href='/order']"); link.Length() != 0 {
		t.Errorf("all of it is there, and today says %q", link.Text())
	}
}

func TestOwnersSeeWhenTheLastBackupWasMade(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	ctx, maker := t.Context(), site.Who(access.Maker)
	if text := site.As(access.Owner).Get("/").Text("main"); strings.Contains(text, "ackup") {
		t.Errorf("before anything is in the book, today says: %s", text)
	}
	if _, err := site.Store.AddFormula(ctx, maker, store.Entry{}, store.NewFormula{Code: "OB", Name: "Oat balm", Letters: "OB", Yields: "units"}); err != nil {
		t.Fatal(err)
	}
	if text := site.As(access.Owner).Get("/").Text("main"); !strings.Contains(text, "no backup of this book yet") || !strings.Contains(text, "stillroom backup FILE") {
		t.Errorf("without a backup, today says: %s", text)
	}
	if err := store.NoteBackup(ctx, site.DB.OwnerURL, time.Date(2026, 3, 14, 9, 30, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	if text := site.As(access.Owner).Get("/").Text("main"); !strings.Contains(text, "Last backup: 14") {
		t.Errorf("with one, today says: %s", text)
	}
	if text := site.As(access.Maker).Get("/").Text("main"); strings.Contains(text, "ackup") {
		t.Errorf("to a maker today says: %s", text)
	}
}
