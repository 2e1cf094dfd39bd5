package demo

import (
	"slices"

	"example.org/stillroom/internal/reporting"
	"example.org/stillroom/internal/store"
)

// report is a complaint that the viewer comes upon, and what was done about it.
type report struct {
	on, hour int    // days from today
	product  string // of which the latest packing that was sent is meant; empty for one with the bad lot in it
	misread  bool   // its code was read out with one character wrong, and nobody has decided what it was
	says     store.NewComplaint
	done     []done
	closed   int    // after so many days; 0 for open
	outcome  string // of a closed one
}

// done is what was noted so many days after the complaint.
type done struct {
	after       int
	kind, words string
}

// reports are invented like everything else: the people, what they say, and what a doctor wrote.
var reports = []report{
	{on: -641, hour: 10, product: "TW100", says: store.NewComplaint{CameBy: "telephone", Name: "Hesper Lowmarsh", Phone: "00 555 0171", BoughtAt: "Sedgebank autumn fair", What: "The bar broke in two when it was unwrapped.", Kind: reporting.Quality, Market: reporting.EU},
		done: []done{{2, "test", "Three retained bars bent by hand: none breaks."}, {3, "letter", "Sent a new bar with our thanks."}}, closed: 6, outcome: "Nothing found in the samples. Replaced."},
	{on: -372, hour: 15, product: "TW100", says: store.NewComplaint{CameBy: "email", Name: "Orla Tindersby", Email: "orla@tindersby.example.org", What: "Dry, tight skin for two days after each wash; gone since she stopped.", Kind: reporting.Undesirable, Market: reporting.EU},
		done: []done{{1, "call", "Uses hot water and no cream. Told her to stop, and to ask her doctor if it comes back."}, {20, "call", "All well since."}}, closed: 21, outcome: "Stopped by itself; no other report about the batch."},
	{on: -331, hour: 18, product: "SL165", says: store.NewComplaint{CameBy: "telephone", Name: "Benedict Askerly", Phone: "00 555 0172", What: "Swollen lids and short of breath an hour after use. Kept in hospital for a night, to be watched.", Kind: reporting.Serious, Criteria: []string{"hospital", "incapacity"}, Market: reporting.EU},
		done:   []done{{0, "decision", "What is left of the batch is kept here until more is known."}, {1, "authority", "Told by the authority's form, with the label and what is in it."}, {9, "medical", "His doctor writes: an allergy to an oil in the scent, known since childhood. The label names it."}, {10, "authority", "Sent the doctor's letter after."}},
		closed: 44, outcome: "An allergy known before; the oil stands on the label. The assessor asks for no change."},
	{on: -212, hour: 11, product: "OB50", says: store.NewComplaint{CameBy: "stockist", Customer: "SLT", What: "Labels smudged on four of ten.", Kind: reporting.Quality, Market: reporting.UK}, done: []done{{1, "letter", "Sent ten new labels."}}, closed: 2, outcome: "Ink not dry when stacked; the stack now stands a night."},
	{on: -57, hour: 9, says: store.NewComplaint{CameBy: "telephone", Name: "Maud Ferrigate", Phone: "00 555 0173", BoughtAt: "Harbour Street Pantry", What: "Smells of old oil, and itched on the arms for an evening.", Kind: reporting.Undesirable, Market: reporting.EU},
		done: []done{{1, "test", "The retained unit smells a little stale; the customer's own has not come yet."}}, closed: 12, outcome: "Money back. One report alone: looked at again with the next."},
	{on: -39, hour: 16, says: store.NewComplaint{CameBy: "email", Name: "Silas Underbrook", Email: "silas@underbrook.example.org", What: "Rancid smell, yellow spots.", Kind: reporting.Quality, Market: reporting.EU}, done: []done{{2, "letter", "Asked for the rest of it."}}},
	{on: -23, hour: 10, says: store.NewComplaint{CameBy: "in_person", Name: "Agnes Holloworth", What: "Red and itching where it was used, two evenings in a row.", Kind: reporting.Undesirable, Market: reporting.EU}, done: []done{{0, "call", "Better the next day without it."}}},
	{on: -8, hour: 14, says: store.NewComplaint{CameBy: "message", What: "Smells like an old frying pan.", Kind: reporting.Quality, Market: reporting.EU}},
	{on: -2, hour: 17, product: "TW100", misread: true, says: store.NewComplaint{CameBy: "telephone", Name: "Piers Wantley", Phone: "00 555 0174", BoughtAt: "Millwheel Stores", What: "White spots on the bar; he read the code without his glasses.", Kind: reporting.Quality, Market: reporting.EU}},
}

func (d *maker) complaints() {
	for _, r := range reports {
		d.at(d.on(r.on, r.hour, 20), func() error { return d.complain(r) })
	}
}

// complain writes a report down as it came in, and has the rest follow.
func (d *maker) complain(r report) error {
	n := r.says
	packing, err := d.meant(r.product)
	if err != nil || packing == "" {
		return err
	}
	n.Packing, n.CodeSaid, n.BoughtOn, n.HappenedOn = packing, packing, d.date().AddDays(-16), d.date().AddDays(-1)
	if r.misread {
		n.Packing, n.Product, n.CodeSaid = "", r.product, packing[:len(packing)-3]+packing[len(packing)-2:]
	}
	code, err := d.s.LogComplaint(d.ctx, d.by("pia"), store.Entry{}, n)
	if err != nil {
		return err
	}
	number, err := store.ParseComplaint(code)
	if err != nil {
		return err
	}
	d.complained = append(d.complained, packing)
	for i, x := range r.done {
		d.at(d.on(r.on+x.after, r.hour, 35+i), func() error {
			return d.s.FollowComplaint(d.ctx, d.by("jun"), store.Entry{}, number, store.NewFollowUp{Kind: x.kind, At: d.clock, Words: x.words})
		})
	}
	if r.closed > 0 {
		d.at(d.on(r.on+r.closed, r.hour, 50), func() error {
			return d.s.CloseComplaint(d.ctx, d.by("mara"), store.Entry{}, number, r.outcome, "")
		})
	}
	return nil
}

// meant is the latest packing of a product of which units were sent; without a product one with the bad lot in it, each
// time of another product, or at least of another batch. Empty for none, as in a story that has just begun.
func (d *maker) meant(product string) (string, error) {
	if product == "" {
		bad, err := d.s.TraceSupplierLot(d.ctx, d.workshop, "FO", badLot)
		if err != nil {
			return "", err
		}
		sent := slices.DeleteFunc(bad.Packings, func(p store.TracedPacking) bool { return p.Units.Dispatched == 0 })
		for _, same := range []func(x, y store.TracedPacking) bool{
			func(x, y store.TracedPacking) bool { return x.ProductCode == y.ProductCode },
			func(x, y store.TracedPacking) bool { return x.Batch == y.Batch },
		} {
			for _, p := range sent {
				if !slices.ContainsFunc(sent, func(x store.TracedPacking) bool { return same(x, p) && slices.Contains(d.complained, x.Code) }) {
					return p.Code, nil
				}
			}
		}
		return "", nil
	}
	for _, code := range slices.Backward(d.packed) {
		if code[:2] != product[:2] {
			continue
		}
		p, err := d.s.Packing(d.ctx, d.workshop, code)
		if err != nil || p.Dispatched > 0 && p.ProductCode == product {
			return p.Code, err
		}
	}
	return "", nil
}
