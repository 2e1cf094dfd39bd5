package demo

import (
	"strconv"
	"time"

	"example.org/stillroom/internal/store"
)

// drilled is the day of the one drill, from today; its list took an hour and fifty minutes.
const drilled = -245

// drills tells of the yearly drill, and of the papers that were looked for after it.
func (d *maker) drills() {
	d.at(d.on(drilled, 9, 10), d.drill)
	d.at(d.on(drilled+9, 15, 20), func() error { return d.productPapers(book[0].products[0].Code) })
	d.at(d.on(drilled+9, 15, 40), func() error {
		return d.s.SetMarkets(d.ctx, d.by("mara"), store.Entry{}, []string{"eu", "uk"}, nil)
	})
}

// drill draws a lot, counts the shelf, where two units are missing, and is signed.
func (d *maker) drill() error {
	rnd := d.dice("drill", drilled)
	number, err := d.s.OpenDrill(d.ctx, d.by("mara"), store.Entry{}, store.NewDrill{Random: true, Title: "Yearly drill", Reason: "The supplier withdraws the lot that is drawn."}, rnd.IntN)
	if err != nil {
		return err
	}
	n, err := strconv.Atoi(number)
	if err != nil {
		return err
	}
	d.at(d.clock.Add(75*time.Minute), func() error { return d.countShelf(n) })
	d.at(d.clock.Add(110*time.Minute), func() error { return d.s.ListDrill(d.ctx, d.by("mara"), store.Entry{}, n) })
	d.at(d.clock.Add(126*time.Minute), func() error {
		return d.s.EndDrill(d.ctx, d.by("mara"), store.Entry{}, n, "The list was there in time. What is missing on the shelf went as testers that nobody wrote down: from now on a tester is written down when it is opened.", "")
	})
	return nil
}

// countShelf finds what the book says, but for two units of the packing of which most are there.
func (d *maker) countShelf(n int) error {
	page, err := d.s.Drill(d.ctx, d.workshop, n)
	if err != nil {
		return err
	}
	found, most := map[string]int{}, ""
	for _, p := range page.Packings {
		if p.OnHandNow > 0 {
			found[p.Code] = p.OnHandNow
			if most == "" || found[p.Code] > found[most] {
				most = p.Code
			}
		}
	}
	if found[most] > 2 {
		found[most] -= 2
	}
	return d.s.CountDrill(d.ctx, d.by("pia"), store.Entry{}, n, found)
}

// productPapers keeps what there is of a product's information; two of its parts are not there.
func (d *maker) productPapers(product string) error {
	for _, p := range []store.Upload{
		paper("description", "Description.pdf", "Quillmoor Workshop", "Description of the product", "A bar of soap, wrapped in paper.", "Made up for the demo."),
		paper("safety_report", "Safety report.pdf", "A. Brankin, assessor", "Cosmetic product safety report", "Part A and part B would stand here.", "Made up for the demo: it assesses nothing."),
		paper("method", "Good manufacturing practice.pdf", "Quillmoor Workshop", "Statement on the method of making", "How each batch is made stands in the batch book.", "Made up for the demo."),
	} {
		if err := d.s.AttachToProduct(d.ctx, d.by("mara"), store.Entry{}, product, p); err != nil {
			return err
		}
	}
	return nil
}
