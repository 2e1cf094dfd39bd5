package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/closing"
	"example.org/stillroom/internal/countback"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/notice"
	"example.org/stillroom/internal/store"
)

func (h unitsShop) told(n int) store.RecallTold {
	h.t.Helper()
	told, err := h.RecallTold(context.Background(), h.owner.Workshop, n, "", 0)
	if err != nil {
		h.t.Fatal(err)
	}
	return told
}

func (h unitsShop) answers(n int, customer string, counts ...store.AnswerCount) error {
	return h.AnswerRecall(context.Background(), h.helper, store.Entry{}, n, customer, store.NewAnswer{On: h.today, Note: "box came", Disposition: "destroy", Counts: counts})
}

func TestARecallIsToldCountedBackAndClosed(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h := newUnitsShop(t)
	h.packed("OB-1", 60, 300)
	alder, birch := h.customer("Alder House"), h.customer("Birch Lane")
	fair, err := h.AddCustomer(ctx, h.owner, store.Entry{}, store.Customer{Name: "Quill fair", Kind: "event", Contact: store.Contact{Address: "The green"}})
	if err != nil {
		t.Fatal(err)
	}
	first := h.recallSent(alder, "OB-1", 5)
	h.recallSent(alder, "OB-1", 7)
	h.recallSent(birch, "OB-1", 8)
	h.recallSent(fair, "OB-1", 4)
	if _, err := h.Return(ctx, h.helper, store.Entry{}, store.NewReturn{Dispatch: first, Packing: "OB-1", On: h.today, Units: 1, Disposition: "restock"}); err != nil {
		t.Fatal(err)
	}
	n := h.openRecall(store.NewRecall{From: []store.TraceStart{{Kind: "batch", Code: "OB-1"}}, Level: "consumer", Title: "Rash after use", Reason: "Three customers report a rash."})
	tell := func(customer, how string) error {
		return h.TellCustomer(ctx, h.helper, store.Entry{}, n, customer, store.NewTold{At: time.Now().Add(-time.Minute), How: how})
	}
	for customer, how := range map[string]string{alder: "telephone", fair: "notice"} {
		if err := tell(customer, how); err != nil {
			t.Fatal(err)
		}
	}
	unitsSays(t, tell(birch, "pigeon"), "how", "How were they told?")
	unitsSays(t, h.TellCustomer(ctx, h.helper, store.Entry{}, n, birch, store.NewTold{At: time.Now().Add(time.Hour), How: "email"}), "told_at", "That moment has not come yet.")
	told := h.told(n)
	var order []string
	for _, c := range told.Customers {
		order = append(order, fmt.Sprintf("%s %d %d %v", c.Name, c.Out, c.Times, c.Silent()))
	}
	if d := cmp.Diff([]string{"Birch Lane 8 0 false", "Alder House 11 1 true", "Quill fair 4 1 false"}, order); d != "" || told.NotTold != 1 || told.Silent != 1 || told.Units.Out != 23 {
		t.Errorf("%s; %+v", d, told)
	}
	page, err := h.RecallTold(ctx, h.owner.Workshop, n, "", 1)
	if err != nil || page.Next != birch {
		t.Fatalf("%+v, %v", page, err)
	}
	if page, err = h.RecallTold(ctx, h.owner.Workshop, n, page.Next, 1); err != nil || len(page.Customers) != 1 || page.Customers[0].Code != alder || page.Count != 3 {
		t.Errorf("%+v, %v", page, err)
	}

	// Eight come back: four of the older dispatch, where one had come back before, and four of the other.
	if err := h.answers(n, alder, store.AnswerCount{Packing: "OB-1", Returned: 8, Sold: 2}); err != nil {
		t.Fatal(err)
	}
	unitsSays(t, h.answers(n, alder, store.AnswerCount{Packing: "OB-1", Used: 2}), "returned-0", "11 units of OB-1 went out, and 10 are counted already: no more than 1 can be counted.")
	unitsSays(t, h.answers(n, birch, store.AnswerCount{Packing: "OB-1", Destroyed: 9}), "returned-0", "8 units of OB-1 went out: no more than 8 can be counted.")
	one, err := h.RecallCustomer(ctx, h.owner.Workshop, n, alder)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(countback.Units{Out: 11, Returned: 8, Sold: 2}, one.Customer.Units); d != "" || len(one.Packings) != 1 || one.Packings[0].Units != one.Customer.Units {
		t.Errorf("%s, %+v", d, one.Packings)
	}
	var made []int
	var answer store.ToldEntry
	for _, e := range one.Entries {
		if e.How == "returned" {
			made = append(made, e.Units)
		}
		if e.Kind == "answer" {
			answer = e
		}
	}
	if d := cmp.Diff([]int{4, 4}, made); d != "" {
		t.Errorf("returns: %s", d)
	}
	// What comes back by the ordinary page counts too, once.
	if _, err := h.Return(ctx, h.helper, store.Entry{}, store.NewReturn{Packing: "OB-1", On: h.today, Units: 2, Disposition: "hold", Note: "left at the door"}); err != nil {
		t.Fatal(err)
	}
	if told = h.told(n); told.Untied != 2 || told.Units.Returned != 10 {
		t.Errorf("%+v", told)
	}
	if err := h.WithdrawTold(ctx, h.helper, store.Entry{}, n, alder, "answer", answer.ID, "another shop's box"); err != nil {
		t.Fatal(err)
	}
	if got := h.told(n); got.Units != (countback.Units{Out: 23, Returned: 2}) || got.Silent != 1 {
		t.Errorf("after the withdrawal %+v", got)
	}
	if err := h.WithdrawTold(ctx, h.helper, store.Entry{}, n, alder, "answer", answer.ID, "again"); !fault.Is(err, fault.Conflict) {
		t.Errorf("withdrawn twice: %v", err)
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM recall_count k WHERE k.replaced_by IS NULL`) + unitsAsk[int](h, `SELECT count(*) FROM unit_return x WHERE x.replaced_by IS NULL`); n != 2 {
		t.Errorf("%d counts and returns stand, not the two returns of the door and before", n)
	}

	closeRecall := func(who store.Who, seen string) error {
		return h.CloseRecall(ctx, who, store.Entry{}, n, "All that could be got back is here.", "", seen)
	}
	if err := closeRecall(h.helper, ""); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a helper closes: %v", err)
	}
	command := h.owner
	command.Actor = "command"
	if err := closeRecall(command, "another page's"); !fault.Is(err, fault.Conflict) {
		t.Errorf("signed unseen: %v", err)
	}
	stand, err := h.RecallClosing(ctx, h.owner.Workshop, n)
	if err != nil || stand.Open() != 4 {
		t.Fatalf("%+v, %v", stand.Conditions, err)
	}
	if err := closeRecall(command, store.SeenHash(stand.Conditions)); err != nil {
		t.Fatal(err)
	}
	if err := tell(birch, "email"); !fault.Is(err, fault.Conflict) {
		t.Errorf("told after the closing: %v", err)
	}
	source, err := h.RecallReport(ctx, h.owner.Workshop, n, "Owner", time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC))
	if err != nil || source.Closed == nil || source.Closed.Broken || len(source.Closed.Seen) != 5 {
		t.Fatalf("%+v, %v", source.Closed, err)
	}
	var text []string
	for _, e := range source.Events {
		text = append(text, e.What)
	}
	for _, want := range []string{"Opened: Rash after use", "Alder House told: telephone", "Quill fair told: public notice", "Alder House answered: box came", "Alder House: 2 of OB-1 sold on", "Closed: All that could be got back is here."} {
		if !strings.Contains(strings.Join(text, "\n"), want) {
			t.Errorf("no %q in %q", want, text)
		}
	}
	if doc := closing.Build(source); doc.Title != fmt.Sprintf("Closing report R-%d", n) || len(doc.Section(closing.KeyUnreached).Blocks) == 0 {
		t.Errorf("%+v", doc)
	}
}

func TestOfTwoTabletsOneTakesTheLastUnitsBack(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("OB-1", 20, 300)
	alder := h.customer("Alder House")
	h.recallSent(alder, "OB-1", 6)
	n := h.openRecall(store.NewRecall{From: []store.TraceStart{{Kind: "batch", Code: "OB-1"}}, Level: "stockist", Title: "Wrong label", Reason: "A line is missing."})
	errs := make([]error, 3)
	var all sync.WaitGroup
	for i := range errs {
		all.Go(func() { errs[i] = h.answers(n, alder, store.AnswerCount{Packing: "OB-1", Returned: 4}) })
	}
	all.Wait()
	stored := 0
	for _, err := range errs {
		if err == nil {
			stored++
		} else {
			unitsSays(t, err, "returned-0", "6 units of OB-1 went out, and 4 are counted already: no more than 2 can be counted.")
		}
	}
	if got := h.told(n); stored != 1 || got.Units != (countback.Units{Out: 6, Returned: 4}) {
		t.Errorf("%d stored, %+v", stored, got)
	}
}

// TestCountingBackAddsUp holds the sums of random books of answers, returns and withdrawals to a plain count beside them:
// a few books only, since each takes a second, and other ones each time.
func TestCountingBackAddsUp(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h := newUnitsShop(t)
	for round := range 5 {
		seed := uint64(time.Now().UnixNano())
		dice := rand.New(rand.NewPCG(seed, 0))
		draw := func(from, to int) int { return from + dice.IntN(to-from+1) }
		fatal := func(format string, args ...any) {
			t.Helper()
			t.Fatalf("seed %d: %s", seed, fmt.Sprintf(format, args...))
		}
		packing := fmt.Sprintf("QB-%d", 101+round)
		h.packed(packing, 60, 300)
		customers := []string{h.customer(fmt.Sprintf("Shop %d a", round)), h.customer(fmt.Sprintf("Shop %d b", round))}
		want := map[string]*countback.Units{}
		out := map[string]int{} // of a dispatch, what is not back
		of := map[string]string{}
		for _, c := range customers {
			want[c] = &countback.Units{}
			for range draw(1, 3) {
				units := draw(1, 6)
				d := h.recallSent(c, packing, units)
				out[d], of[d] = units, c
				want[c].Out += units
			}
		}
		n := h.openRecall(store.NewRecall{From: []store.TraceStart{{Kind: "packing", Code: packing}}, Level: "consumer", Title: "Random", Reason: "Random."})
		for range draw(1, 5) {
			c := customers[draw(0, 1)]
			if draw(0, 3) == 0 {
				var sent []string
				for d, units := range out {
					if of[d] == c && units > 0 {
						sent = append(sent, d)
					}
				}
				if len(sent) == 0 {
					continue
				}
				d := sent[0]
				if _, err := h.Return(ctx, h.helper, store.Entry{}, store.NewReturn{Dispatch: d, Packing: packing, On: h.today, Units: 1, Disposition: "hold", Note: "x"}); err != nil {
					fatal("%v", err)
				}
				out[d]--
				want[c].Returned++
				continue
			}
			k := store.AnswerCount{Packing: packing, Returned: draw(0, 4), Destroyed: draw(0, 2), Used: draw(0, 2), Sold: draw(0, 2)}
			left := want[c].Out - want[c].Returned - want[c].Destroyed - want[c].Used - want[c].Sold
			err := h.answers(n, c, k)
			if fits := k.Returned+k.Destroyed+k.Used+k.Sold <= left; fits != (err == nil) {
				fatal("%+v of %d left: %v", k, left, err)
			} else if !fits {
				continue
			}
			*want[c] = want[c].Add(countback.Units{Returned: k.Returned, Destroyed: k.Destroyed, Used: k.Used, Sold: k.Sold})
			one, err := h.RecallCustomer(ctx, h.owner.Workshop, n, c)
			if err != nil {
				fatal("%v", err)
			}
			var last store.ToldEntry
			for _, e := range one.Entries {
				if e.Kind == "answer" && !e.Withdrawn {
					last = e
					break
				}
			}
			if draw(0, 3) == 0 {
				if err := h.WithdrawTold(ctx, h.owner, store.Entry{}, n, c, "answer", last.ID, "a slip"); err != nil {
					fatal("%v", err)
				}
				*want[c] = want[c].Add(countback.Units{Returned: -k.Returned, Destroyed: -k.Destroyed, Used: -k.Used, Sold: -k.Sold})
			}
			// Which dispatch units came off is the store's; what is still out of each is read from there.
			for d := range out {
				page, err := h.DispatchPage(ctx, h.owner.Workshop, d)
				if err != nil {
					fatal("%v", err)
				}
				out[d] = page.Packings[0].Out()
			}
		}
		var sum countback.Units
		for _, c := range h.told(n).Customers {
			if d := cmp.Diff(*want[c.Code], c.Units); d != "" {
				fatal("%s: %s", c.Code, d)
			}
		}
		for _, u := range want {
			sum = sum.Add(*u)
		}
		if got := h.told(n); got.Units != sum {
			fatal("in all %+v, not %+v", got.Units, sum)
		}
	}
}

func TestTextsOfARecallAreKeptAsTheyAreEdited(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h := newUnitsShop(t)
	h.packed("OB-1", 20, 300)
	alder, err := h.AddCustomer(ctx, h.owner, store.Entry{}, store.Customer{Name: "=Alder", Kind: "stockist", Contact: store.Contact{Email: "alder@example.org", Address: "1 Lane"}})
	if err != nil {
		t.Fatal(err)
	}
	h.recallSent(alder, "OB-1", 6)
	if err := h.NoteUnitCode(ctx, h.owner, store.Entry{}, store.NewUnitCode{Packing: "OB-1", Code: "OX-77", Kind: "misprint", Reason: "plate worn"}); err != nil {
		t.Fatal(err)
	}
	n := h.openRecall(store.NewRecall{From: []store.TraceStart{{Kind: "batch", Code: "OB-1"}}, Level: "stockist", Title: "Wrong label", Reason: "A line is missing."})
	if err := h.SetRecallWords(ctx, h.helper, store.Entry{}, n, store.RecallWords{Hazard: "A rash.", Remedy: "A refund."}); err != nil {
		t.Fatal(err)
	}
	letters, err := h.RecallLetters(ctx, h.owner.Workshop, n)
	if err != nil {
		t.Fatal(err)
	}
	draft := letters.Text(notice.Email)
	for _, want := range []string{"OB-1", "OX-77", "Oat soap bar", "Hazard: A rash.", "What you get: A refund."} {
		if !strings.Contains(draft.Body, want) {
			t.Errorf("no %q in\n%s", want, draft.Body)
		}
	}
	save := func(seen, body string) error {
		return h.SaveRecallText(ctx, h.helper, store.Entry{}, n, store.NewRecallText{Kind: notice.Email, Subject: "Recall", Body: body, Seen: seen})
	}
	if err := save("", "Dear Alder,\r\nstop."); err != nil {
		t.Fatal(err)
	}
	if err := save("", "Mine"); !fault.Is(err, fault.Conflict) {
		t.Errorf("over somebody's text: %v", err)
	}
	letters, err = h.RecallLetters(ctx, h.owner.Workshop, n)
	if got := letters.Text(notice.Email); err != nil || got.Body != "Dear Alder,\nstop." || got.Subject != "Recall" {
		t.Fatalf("%+v, %v", got, err)
	}
	if err := save(letters.Text(notice.Email).Seen(), ""); err != nil {
		t.Fatal(err)
	}
	if letters, err = h.RecallLetters(ctx, h.owner.Workshop, n); err != nil || letters.Text(notice.Email).Saved() {
		t.Errorf("%+v, %v", letters.Text(notice.Email), err)
	}
	var merge strings.Builder
	if err := h.RecallMerge(ctx, h.owner.Workshop, n, &merge); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff("customer,name,address,email,phone,products,codes,units\n"+alder+",'=Alder,1 Lane,alder@example.org,,Oat soap bar,\"OB-1, OX-77\",6\n", merge.String()); d != "" {
		t.Error(d)
	}
	stock := h.openRecall(store.NewRecall{From: []store.TraceStart{{Kind: "batch", Code: "OB-1"}}, Level: "stock", Title: "Ours", Reason: "Looked at."})
	if _, err := h.RecallLetters(ctx, h.owner.Workshop, stock); !fault.Is(err, fault.NotFound) {
		t.Errorf("letters of stock: %v", err)
	}
	if got := h.told(stock); got.Count != 0 || got.Units.Out != 0 {
		t.Errorf("stock tells %+v", got)
	}
}
