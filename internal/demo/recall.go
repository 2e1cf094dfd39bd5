package demo

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// recalled is the day on which guest bars with a wrong label were called back, in days from today. It ended four weeks later,
// with a shop that never answered.
const recalled = -428

// labelRecall is a small recall from its opening to its end.
func (d *maker) labelRecall() {
	var from []store.TraceStart
	var number int
	var shops []store.ToldCustomer
	d.at(d.on(recalled, 9, 10), func() (err error) {
		if from, err = d.wrongLabels(); err != nil || len(from) == 0 {
			return err
		}
		code, err := d.s.OpenRecall(d.ctx, d.by("mara"), store.Entry{}, store.NewRecall{From: from, Level: "stockist", Title: "Wrong label on guest bars: allergen line missing",
			Reason: "The labels are those of an older design: the line that names the allergens of the scent is missing.", Hazard: "People who are allergic to what the scent holds cannot see that it is in the bar. They may get a rash.",
			ToDo: "Take the bars off the shelf and send them back at our cost, or destroy them and tell us how many they were.", Remedy: "New bars, or a refund, whichever you like.", Contact: "Quillmoor Workshop, 00 555 0100, free of charge; recall@quillmoor.example.org"})
		if err != nil {
			return err
		}
		d.stock = nil
		if number, err = strconv.Atoi(code); err != nil {
			return err
		}
		told, err := d.s.RecallTold(d.ctx, d.workshop, number, "", 0)
		shops = told.Customers
		return err
	})
	for i := range 6 {
		d.at(d.on(recalled, 9, 40).Add(time.Duration(i)*17*time.Minute), func() error { return d.tellShop(number, shops, i) })
	}
	// The first sends all of it back, the last never answers, and those between destroy what they have left.
	for i := range 6 {
		d.at(d.on(recalled+4+2*i, 11, 20), func() error { return d.shopAnswers(number, shops, i) })
	}
	d.at(d.on(recalled+27, 16, 30), func() error {
		if number == 0 {
			return nil
		}
		return d.s.CloseRecall(d.ctx, d.by("mara"), store.Entry{}, number, "All shops were told. One did not answer, and was written to and called twice; it may have sold its bars. What came back was destroyed, and so is our own stock. Labels are now held against the formula before they are printed.", "", "")
	})
	d.at(d.on(recalled+28, 9, 5), func() error {
		for _, f := range from {
			if err := d.throwAway(f.Code); err != nil {
				return err
			}
		}
		return nil
	})
}

// wrongLabels are packings of guest bars of the last weeks, which nothing else was made of: as many as it takes for four
// stockists to have some, or eight.
func (d *maker) wrongLabels() (from []store.TraceStart, err error) {
	shops := map[string]bool{}
	for i := len(d.packed) - 1; i >= 0 && len(shops) < 4 && len(from) < 8; i-- {
		p, err := d.s.Packing(d.ctx, d.workshop, d.packed[i])
		if err != nil {
			return nil, err
		}
		if !strings.HasSuffix(p.ProductCode, "35") || p.Used > 0 || p.Status != "released" {
			continue
		}
		start := store.TraceStart{Kind: "packing", Code: p.Code}
		found, err := d.s.PreviewRecall(d.ctx, d.workshop, []store.TraceStart{start})
		if err != nil {
			return nil, err
		}
		for _, l := range found.Lines {
			if l.CustomerKind == "stockist" && l.Units > l.Returned {
				shops[l.Customer] = true
			}
		}
		from = append(from, start)
	}
	return from, nil
}

func (d *maker) tellShop(number int, shops []store.ToldCustomer, i int) error {
	if i >= len(shops) {
		return nil
	}
	told := store.NewTold{At: d.clock, How: "telephone", Note: "Spoke to the shop; the letter follows."}
	if i == len(shops)-1 {
		told = store.NewTold{At: d.clock, How: "letter", Note: "Nobody answers the telephone."}
	}
	return d.s.TellCustomer(d.ctx, d.by("pia"), store.Entry{}, number, shops[i].Code, told)
}

func (d *maker) shopAnswers(number int, shops []store.ToldCustomer, i int) error {
	if i >= len(shops) || i == len(shops)-1 && i > 0 {
		return nil
	}
	c, err := d.s.RecallCustomer(d.ctx, d.workshop, number, shops[i].Code)
	if err != nil {
		return err
	}
	answer := store.NewAnswer{On: d.date(), Note: "A parcel with all that was left", Disposition: "destroy"}
	for _, p := range c.Packings {
		k := store.AnswerCount{Packing: p.Code, Returned: p.Missing()}
		if i%2 == 1 {
			answer.Note = "Their shelf is empty; what was left went into the bin"
			k = store.AnswerCount{Packing: p.Code, Destroyed: (p.Missing() + 1) / 2, Sold: p.Missing() / 2}
		}
		answer.Counts = append(answer.Counts, k)
	}
	return d.s.AnswerRecall(d.ctx, d.by("pia"), store.Entry{}, number, c.Customer.Code, answer)
}

// throwAway destroys what is left here of a recalled packing, from its hold.
func (d *maker) throwAway(packing string) error {
	page, err := d.s.PackingUnits(d.ctx, d.workshop, packing)
	if err != nil || page.OnHand == 0 {
		return err
	}
	for _, h := range page.Holds {
		if h.LiftedAt == nil && h.Recall > 0 {
			_, err := d.s.MoveUnits(d.ctx, d.by("jun"), store.Entry{}, store.UnitMove{Packing: packing, On: d.date(), Reason: "broken", Units: page.OnHand, Hold: h.ID, Note: "Recalled for their label: cut up and thrown away"})
			return err
		}
	}
	return fault.New(fault.Conflict, fmt.Sprintf("Nothing holds %s.", packing))
}
