package store_test

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/rates"
	"example.org/stillroom/internal/reporting"
	"example.org/stillroom/internal/store"
)

const complaintPassword = "eleven-brass-kettles"

func complaintOK(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// complain logs a complaint and answers its number.
func (h house) complain(t *testing.T, n store.NewComplaint) int {
	t.Helper()
	if n.CameBy == "" {
		n.CameBy = "telephone"
	}
	if n.What == "" {
		n.What = "It crumbles"
	}
	if n.Kind == "" {
		n.Kind = reporting.Quality
	}
	if n.Market == "" {
		n.Market = reporting.EU
	}
	code, err := h.LogComplaint(t.Context(), h.owner, store.Entry{}, n)
	complaintOK(t, err)
	number, err := store.ParseComplaint(code)
	complaintOK(t, err)
	return number
}

func (h house) complaint(t *testing.T, number int) store.ComplaintPage {
	t.Helper()
	p, err := h.Complaint(t.Context(), h.owner.Workshop, number)
	complaintOK(t, err)
	return p
}

// A complaint's whole life: told with a wrong code, decided, followed, corrected, closed, opened and closed again, erased.
// What was personal is nowhere in the database then, and the chain holds.
func TestAComplaintIsKeptAsItWasSaidAndErasedForGood(t *testing.T) {
	t.Parallel()
	ctx, h := t.Context(), newHouse(t)
	book := pgtest.History(t, h.db, uuid.UUID(h.owner.Workshop))
	soap := book.Product("OS", "Oat soap bar")
	book.Batch("OS-1", batchcode.Fold("OS-1"), soap, "2026-02-01", 20, "released", "")
	stall := book.Customer("FAIR", "Quay Fair", "event")
	if stall == uuid.Nil {
		t.Fatal("no customer")
	}
	received := time.Now().AddDate(0, 0, -1).Truncate(time.Second)
	n := h.complain(t, store.NewComplaint{ReceivedAt: received, Name: "Odette Quarrymoss", Email: "odette@quarrymoss.example.org", Phone: "00 555 0177", Customer: "FAIR", CodeSaid: "OS-1Z", BoughtAt: "Quay Fair", What: "Hives on both arms after washing",
		Kind: reporting.Serious, Criteria: []string{"hospital", "incapacity"}, Market: reporting.EU})
	p := h.complaint(t, n)
	if p.Code() != "C-1" || p.CodeSaid != "OS-1Z" || p.Packing != "" || p.Name != "Odette Quarrymoss" || !p.ReceivedAt.Equal(received) || !cmp.Equal(p.Criteria, []string{"hospital", "incapacity"}) || p.Customer != "FAIR" {
		t.Errorf("logged: %+v", p.Complaint)
	}
	if c := p.Clocks(); len(c) != 1 || !c[0].Open() || !c[0].Overdue(day.In(time.Now(), time.UTC)) {
		t.Errorf("clocks: %+v", c)
	}
	if today, err := h.Today(ctx, h.owner.Workshop, day.In(time.Now(), time.UTC), 30); err != nil || today.AllComplaints != 1 || len(today.Complaints) != 1 || !today.Complaints[0].Overdue {
		t.Errorf("today: %+v, %v", today.Complaints, err)
	}

	complaintOK(t, h.DecidePacking(ctx, h.owner, store.Entry{}, n, "OS-1"))
	if err := h.DecidePacking(ctx, h.owner, store.Entry{}, n, "OS-1"); !fault.Is(err, fault.Conflict) {
		t.Errorf("decided twice: %v", err)
	}
	complaintOK(t, h.AttachToComplaint(ctx, h.owner, store.Entry{}, n, store.Upload{Kind: "photo", Name: "Odette arms.jpg", MediaType: "image/jpeg", Data: []byte("\xff\xd8\xff odette's arms")}))
	complaintOK(t, h.FollowComplaint(ctx, h.owner, store.Entry{}, n, store.NewFollowUp{Kind: "authority", At: time.Now().Add(-time.Hour), Words: "Told the authority about Quarrymoss"}))
	p = h.complaint(t, n)
	if p.Packing != "OS-1" || p.Product != "OS" || len(p.Photos) != 1 || p.Photos[0].Name != "C-1 photo 1.jpg" || len(p.FollowUps) != 1 || p.Clocks()[0].Open() {
		t.Errorf("followed: %+v %+v", p.Complaint, p.FollowUps)
	}
	recall, err := h.OpenRecall(ctx, h.owner, store.Entry{}, store.NewRecall{From: []store.TraceStart{{Kind: "complaint", Code: "C-1"}}, Level: "consumer", Title: "Reaction", Reason: "One customer was in hospital."})
	complaintOK(t, err)
	if opened, err := h.Recall(ctx, h.owner.Workshop, 1); err != nil || recall != "1" || len(opened.Origins) != 1 || opened.Origins[0].Complaint != 1 || opened.Origins[0].Code != "OS-1" || len(opened.Packings) != 1 {
		t.Errorf("a recall opened from it: %+v, %v", opened.Origins, err)
	}
	again := store.NewFollowUp{Kind: "letter", At: p.FollowUps[0].HappenedAt, Words: "Wrote to Quarrymoss"}
	complaintOK(t, h.CorrectFollowUp(ctx, h.owner, store.Entry{}, n, p.FollowUps[0].ID, &again, "it was a letter"))
	if err := h.CorrectFollowUp(ctx, h.owner, store.Entry{}, n, p.FollowUps[0].ID, nil, "twice"); !fault.Is(err, fault.Conflict) {
		t.Errorf("an entry corrected twice: %v", err)
	}
	p = h.complaint(t, n)
	if len(p.FollowUps) != 2 || p.FollowUps[0].Stands() == p.FollowUps[1].Stands() || p.Clocks()[0].ToldOn != (day.Day{}) {
		t.Errorf("corrected follow-up: %+v", p.FollowUps)
	}
	right := store.NewComplaint{CameBy: "telephone", Name: p.Name, Email: p.Email, Phone: p.Phone, Packing: "OS-1", CodeSaid: "OS-1", What: p.What, Kind: reporting.Undesirable, Market: reporting.EU}
	complaintOK(t, h.CorrectComplaint(ctx, h.owner, store.Entry{}, n, right, p.Seen, "misheard"))
	if err := h.CorrectComplaint(ctx, h.owner, store.Entry{}, n, right, p.Seen, "stale"); !fault.Is(err, fault.Conflict) {
		t.Errorf("a stale correction: %v", err)
	}
	p = h.complaint(t, n)
	if p.Kind != reporting.Undesirable || len(p.Criteria) != 0 || p.Customer != "" || len(p.Clocks()) != 0 || len(p.Changes) != 2 || p.Changes[1].Reason != "misheard" {
		t.Errorf("corrected: %+v %+v", p.Complaint, p.Changes)
	}

	if err := h.EraseComplaint(ctx, h.owner, store.Entry{}, n, true, "asked to"); !fault.Is(err, fault.Conflict) {
		t.Errorf("an open one erased: %v", err)
	}
	if err := h.CloseComplaint(ctx, h.owner, store.Entry{}, n, "Replaced", "wrong"); fault.As(err).Of("password") == "" {
		t.Errorf("closed with a wrong password: %v", err)
	}
	complaintOK(t, h.CloseComplaint(ctx, h.owner, store.Entry{}, n, "Replaced", complaintPassword))
	complaintOK(t, h.ReopenComplaint(ctx, h.owner, store.Entry{}, n, "a doctor wrote"))
	complaintOK(t, h.CloseComplaint(ctx, h.owner, store.Entry{}, n, "Money back", complaintPassword))
	p = h.complaint(t, n)
	if p.Open() || p.Outcome != "Money back" || len(p.Signatures) != 2 || p.Signatures[1].Broken || p.Signatures[1].Meaning != "closed" || !p.Signatures[0].Broken {
		t.Errorf("closed: %+v %+v", p.Complaint, p.Signatures)
	}
	complaintOK(t, h.FollowComplaint(ctx, h.owner, store.Entry{}, n, store.NewFollowUp{Kind: "call", At: time.Now().Add(-time.Minute), Words: "All well again, says Quarrymoss"}))

	maker := h.owner
	maker.Role = access.Maker
	if err := h.EraseComplaint(ctx, maker, store.Entry{}, n, true, "asked to"); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a maker erases: %v", err)
	}
	if err := h.EraseComplaint(ctx, h.owner, store.Entry{}, n, false, "asked to"); fault.As(err).Of("sure") == "" {
		t.Errorf("erased without a word: %v", err)
	}
	complaintOK(t, h.EraseComplaint(ctx, h.owner, store.Entry{}, n, true, "asked to"))
	p = h.complaint(t, n)
	if p.ErasedAt == nil || p.Name+p.Email+p.Phone+p.What != "" || p.Outcome != "Money back" || p.Packing != "OS-1" || p.Signatures[1].Broken {
		t.Errorf("erased: %+v %+v", p.Complaint, p.Signatures)
	}
	for _, f := range p.FollowUps {
		if f.Words != "" {
			t.Errorf("a follow-up still says %q", f.Words)
		}
	}
	for table, column := range map[string]string{"complaint": "to_jsonb(x)::text", "complaint_entry": "to_jsonb(x)::text", "audit": "to_jsonb(x)::text", "document": "to_jsonb(x)::text", "document_chunk": "encode(x.data, 'escape')", "search_key": "to_jsonb(x)::text"} {
		if left := h.ask(t, `SELECT count(*)::text FROM `+table+` x WHERE `+column+` ~* 'quarrymoss|odette|555 0177|hives'`); left != "0" {
			t.Errorf("%s still holds something personal in %s rows", table, left)
		}
	}
	if err := h.FollowComplaint(ctx, h.owner, store.Entry{}, n, store.NewFollowUp{Kind: "call", At: time.Now().Add(-time.Minute), Words: "More"}); !fault.Is(err, fault.Conflict) {
		t.Errorf("an erased one is written on: %v", err)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Errorf("after the erasure: %v", broken)
	}
}

func TestWhatTheLawAsksToKeepIsNotErasedEarlier(t *testing.T) {
	t.Parallel()
	ctx, h := t.Context(), newHouse(t)
	n := h.complain(t, store.NewComplaint{Kind: reporting.Undesirable, Market: reporting.US})
	complaintOK(t, h.CloseComplaint(ctx, h.owner, store.Entry{}, n, "Money back", complaintPassword))
	if err := h.EraseComplaint(ctx, h.owner, store.Entry{}, n, true, "asked to"); !fault.Is(err, fault.Conflict) || !strings.Contains(err.Error(), "to be kept until") {
		t.Errorf("a US adverse event of today: %v", err)
	}
	if err := h.asApp(t, `SELECT erase_complaint_photos(id) FROM complaint`); err != nil {
		t.Error(err) // which does nothing while the complaint is kept
	}
	other := h.owner
	other.Workshop = store.WorkshopID(uuid.Must(uuid.NewV7()))
	if err := h.FollowComplaint(ctx, other, store.Entry{}, n, store.NewFollowUp{Kind: "call", At: time.Now(), Words: "x"}); !fault.Is(err, fault.NotFound) {
		t.Errorf("another workshop's: %v", err)
	}
}

func TestABadComplaintIsToldAtEachFieldAndStoresNothing(t *testing.T) {
	t.Parallel()
	ctx, h := t.Context(), newHouse(t)
	tomorrow := day.In(time.Now(), time.UTC).AddDays(2)
	_, err := h.LogComplaint(ctx, h.owner, store.Entry{}, store.NewComplaint{ReceivedAt: time.Now().Add(time.Hour), CameBy: "pigeon", Name: strings.Repeat("x", 201), Email: "no", Phone: strings.Repeat("1", 61), Customer: "NO", Product: "NO",
		CodeSaid: strings.Repeat("x", 101), BoughtAt: strings.Repeat("x", 201), BoughtOn: tomorrow, HappenedOn: tomorrow, Kind: "serious", Criteria: []string{"rash"}, Market: "mars"})
	got := fault.As(err).Names()
	slices.Sort(got)
	if diff := cmp.Diff([]string{"bought_at", "bought_on", "came_by", "code_said", "criteria", "customer", "email", "happened_on", "market", "name", "phone", "product", "received", "what"}, got); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
	if _, err := h.LogComplaint(ctx, h.owner, store.Entry{}, store.NewComplaint{CameBy: "email", What: "x", Kind: "odd", Packing: "NO-1", Market: reporting.UK}); fault.As(err).Of("packing") == "" || fault.As(err).Of("kind") == "" {
		t.Errorf("no such packing: %v", err)
	}
	if left := h.ask(t, `SELECT count(*)::text FROM complaint`); left != "0" {
		t.Errorf("%s are stored", left)
	}
	if _, err := store.ParseComplaint("OS-1"); !fault.Is(err, fault.NotFound) {
		t.Errorf("a batch code as a complaint: %v", err)
	}
	for _, text := range []string{"C-7", "c7", " 7 "} {
		if n, err := store.ParseComplaint(text); err != nil || n != 7 {
			t.Errorf("%q: %d, %v", text, n, err)
		}
	}
}

// suspects is a small book at random, with what each batch is made of.
type suspects struct {
	book    *pgtest.Book
	lots    []uuid.UUID
	batches []pgtest.Packed
	code    []string
	product []int
	in      []map[string]bool // lots and batches in each batch, through every level, by code; itself too
	sent    []bool
	units   []int
	place   []string
}

func drawSuspects(t *testing.T, h house, rnd *rand.Rand) suspects {
	s := suspects{book: pgtest.History(t, h.db, uuid.UUID(h.owner.Workshop))}
	oil := s.book.Material("OO", "Oat oil")
	for i := range 5 {
		s.lots = append(s.lots, s.book.Lot(fmt.Sprintf("OO-%d", i), oil, 1_000_000))
	}
	// The first two are deliveries of one lot of their supplier.
	s.book.Do(pgtest.Statement{SQL: `INSERT INTO supplier (workshop_id, id, code, name, personal_key, change_id) VALUES ($1, $3, 'FO', 'Fenmarch Oils', sha256('test'), $2)`, Args: []any{oil}},
		pgtest.Statement{SQL: `UPDATE material_lot SET supplier_id = $3, supplier_lot = '7731-B', supplier_lot_key = '7731b' WHERE workshop_id = $1 AND id = ANY ($4::uuid[]) AND $2::uuid IS NOT NULL`, Args: []any{oil, s.lots[:2]}})
	products := []uuid.UUID{s.book.Product("OS", "Oat soap"), s.book.Product("BM", "Balm")}
	shop := s.book.Customer("HSP", "Harbour Street Pantry", "stockist")
	for i := range 16 {
		code, kind := fmt.Sprintf("QX%02d", i), rnd.IntN(2)
		p := s.book.Batch(code, batchcode.Fold(code), products[kind], day.Must("2026-01-10").AddDays(i).String(), 1000, "released", "")
		place := []string{"", "Shed", "Still room"}[rnd.IntN(3)]
		s.book.Do(pgtest.Statement{SQL: `UPDATE batch SET place = $4 WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`, Args: []any{p.Batch, place}},
			pgtest.Statement{SQL: `INSERT INTO batch_climate (workshop_id, id, batch_id, stage, temperature_c, humidity_pct, taken_at, source, change_id) VALUES ($1, $3, $4, 'making', $5, $6, now(), 'typed', $2)`,
				Args: []any{uuid.Must(uuid.NewV7()), p.Batch, 18 + rnd.IntN(6), 40 + 10*rnd.IntN(3)}})
		in := map[string]bool{code: true}
		for range rnd.IntN(3) {
			lot := rnd.IntN(len(s.lots))
			s.book.Draw(p.Batch, s.lots[lot], 10)
			in[fmt.Sprintf("OO-%d", lot)] = true
			if lot < 2 {
				in["OO both"] = true
			}
		}
		if i > 2 && rnd.IntN(3) == 0 {
			from := rnd.IntN(i)
			s.book.DrawBatch(p.Batch, s.batches[from].Batch, 10)
			maps.Copy(in, s.in[from])
		}
		sent, units := rnd.IntN(5) > 0, 5+rnd.IntN(40)
		if sent {
			s.book.Dispatch("D"+code, shop, p.Packing, units, "2026-03-01")
		}
		s.batches, s.code, s.product, s.in, s.sent, s.units, s.place = append(s.batches, p), append(s.code, code), append(s.product, kind), append(s.in, in), append(s.sent, sent), append(s.units, units), append(s.place, place)
	}
	return s
}

// Rates and shared sources of a small book at random, each held to a count in Go over what was drawn.
func TestRatesAndSourcesAreThoseCountedByHand(t *testing.T) {
	t.Parallel()
	ctx, h := t.Context(), newHouse(t)
	seed := uint64(time.Now().UnixNano())
	rnd := rand.New(rand.NewPCG(seed, 16))
	t.Logf("drawn from %d", seed)
	s := drawSuspects(t, h, rnd)
	said := make([]int, len(s.batches))
	var asked []string
	var numbers []int
	for _, i := range rnd.Perm(len(s.batches))[:4] {
		for range 1 + rnd.IntN(3) {
			numbers = append(numbers, h.complain(t, store.NewComplaint{Packing: s.code[i]}))
			said[i]++
		}
		asked = append(asked, store.ComplaintCode(numbers[len(numbers)-1]))
	}
	undecided := h.complain(t, store.NewComplaint{Product: "OS", CodeSaid: "unreadable"})

	got, err := h.ComplaintRates(ctx, h.owner.Workshop, day.Must("2026-01-01"))
	complaintOK(t, err)
	units, complaints := [2]int{}, [2]int{}
	sentOf := func(i int) int {
		if s.sent[i] {
			return s.units[i]
		}
		return 0
	}
	for i := range s.batches {
		units[s.product[i]] += sentOf(i)
		complaints[s.product[i]] += said[i]
	}
	for _, p := range got.Products {
		kind, more := map[string]int{"OS": 0, "BM": 1}[p.Code], 0
		if p.Code == "OS" {
			more = 1
		}
		if p.Units != units[kind] || p.Complaints != complaints[kind]+more || p.Undecided != more || p.Range() != rates.Wilson(p.Complaints, p.Units) {
			t.Errorf("%s: %+v, want %d of %d units", p.Code, p, complaints[kind]+more, units[kind])
		}
	}
	if len(got.Batches) != 4 {
		t.Errorf("%d batches with complaints, want 4", len(got.Batches))
	}
	for _, b := range got.Batches {
		i := slices.Index(s.code, b.Batch)
		kind := s.product[i]
		if want := (rates.Table{With: said[i], Without: max(sentOf(i)-said[i], 0), OthersWith: complaints[kind] - said[i], OthersWithout: max(units[kind]-sentOf(i)-complaints[kind]+said[i], 0)}); b.Table() != want || b.MadeOn != day.Must("2026-01-10").AddDays(i) {
			t.Errorf("%s: %+v, want %+v", b.Batch, b.Table(), want)
		}
	}
	if !slices.IsSortedFunc(got.Batches, func(x, y store.BatchRate) int { return int((x.Chance() - y.Chance()) * 1e9) }) {
		t.Error("the batches are not ranked by chance")
	}

	found, err := h.Suspect(ctx, h.owner.Workshop, append(asked, store.ComplaintCode(undecided)))
	complaintOK(t, err)
	want, others := map[string]rates.Table{}, 0
	inQuestion := func(i int) bool { return said[i] > 0 }
	for i := range s.batches {
		if !inQuestion(i) && s.sent[i] {
			others++
		}
		if !inQuestion(i) {
			continue
		}
		for code := range s.in[i] {
			var x rates.Table
			drawn := strings.HasPrefix(code, "OO")
			for j := range s.batches {
				has := s.in[j][code]
				switch {
				case inQuestion(j) && has:
					x.With++
					drawn = drawn || s.code[j] != code
				case inQuestion(j):
					x.Without++
				case s.sent[j] && has:
					x.OthersWith++
				case s.sent[j]:
					x.OthersWithout++
				}
			}
			if drawn {
				want[code] = x
			}
		}
	}
	inputs := map[string]rates.Table{}
	for _, x := range found.Inputs {
		if x.Kind == "supplier lot" {
			x.Code = "OO both"
		}
		inputs[x.Code] = x.Table
		batches, out := 0, 0
		for j := range s.batches {
			if s.in[j][x.Code] {
				batches, out = batches+1, out+sentOf(j)
			}
		}
		if x.Batches != batches || x.Packings != batches || x.Units != out {
			t.Errorf("%s reaches %d batches, %d packings, %d units; want %d, %d", x.Code, x.Batches, x.Packings, x.Units, batches, out)
		}
	}
	if diff := cmp.Diff(want, inputs); diff != "" || found.Others != others || !cmp.Equal(found.Undecided, []int{undecided}) || len(found.Batches) != 4 {
		t.Errorf("%d others (want %d), not decided %v; in them (-want +got):\n%s", found.Others, others, found.Undecided, diff)
	}
	places := map[string]rates.Table{}
	for _, x := range found.Conditions {
		if x.Kind == "place" {
			places[x.Name] = x.Table
		}
	}
	byHand := map[string]rates.Table{}
	for _, place := range []string{"Shed", "Still room"} {
		var x rates.Table
		for j := range s.batches {
			switch has := s.place[j] == place; {
			case s.place[j] == "" || !inQuestion(j) && !s.sent[j]:
			case inQuestion(j) && has:
				x.With++
			case inQuestion(j):
				x.Without++
			case has:
				x.OthersWith++
			default:
				x.OthersWithout++
			}
		}
		if x.With > 0 {
			byHand[place] = x
		}
	}
	if diff := cmp.Diff(byHand, places); diff != "" {
		t.Errorf("places (-want +got):\n%s", diff)
	}
	bands := 0
	for _, x := range found.Conditions {
		if low, err := strconv.Atoi(x.Code); x.Kind == "temperature" && err == nil && low%2 == 0 && low >= 18 && low <= 22 {
			bands += x.Table.With
		}
	}
	if bands != 4 {
		t.Errorf("%d of 4 batches stand in a band of temperature: %+v", bands, found.Conditions)
	}
	if _, err := h.Suspect(ctx, h.owner.Workshop, []string{"C-999", "QX00"}); fault.As(err).Of("of") == "" {
		t.Errorf("what is not in the book: %v", err)
	}
}
