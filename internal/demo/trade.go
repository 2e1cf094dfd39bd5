package demo

import (
	"fmt"
	"math/rand/v2"
	"time"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
)

// shop is a customer who is there from a day on.
type shop struct {
	store.Customer
	since int // days from today
}

func stockist(code, name, mail string, since int) shop {
	return shop{store.Customer{Code: code, Name: name, Kind: "stockist", Contact: store.Contact{Email: mail + ".example.org"}}, since}
}

func stall(code, name string) shop {
	return shop{store.Customer{Code: code, Name: name, Kind: "event"}, begun}
}

var stockists = []shop{
	stockist("HSP", "Harbour Street Pantry", "orders@harbour", begun), stockist("LBW", "The Lamplit Bookroom", "shop@lamplit", begun), stockist("MWS", "Millwheel Stores", "buy@millwheel", begun),
	stockist("COP", "Copperkettle Tea Room", "hello@copperkettle", -640), stockist("FRN", "Fernery and Gifts", "fern@fernery", -600), stockist("TDL", "Tidal Larder", "larder@tidal", -560),
	stockist("BRD", "Birdcage Lane Florist", "flowers@birdcage", -480), stockist("SLT", "Saltbox Gallery", "desk@saltbox", -420), stockist("GRN", "Greenhithe Wholefoods", "veg@greenhithe", -380),
	stockist("OLV", "Old Vestry Shop", "shop@vestry", -300), stockist("PEB", "Pebble and Pine", "us@pebblepine", -220), stockist("NTH", "Northgate Farm Shop", "farm@northgate", -160),
	stockist("WHL", "Wheelhouse Inn", "desk@wheelhouse", -110), stockist("CRN", "Cornmarket Pharmacy", "order@cornmarket", -60),
}

var events = []shop{
	stall("SSF", "Sedgebank autumn fair"), stall("QLM", "Quillmoor lantern market"), stall("MAY", "May meadow market"), stall("HAR", "Harvest supper stall"),
	stall("WIN", "Winter barn market"), stall("REG", "Regatta quayside stalls"), stall("SPR", "Spring makers' day"), stall("OPN", "Open workshop day"),
}

var direct = []shop{
	{store.Customer{Code: "DV", Name: "Dove Cottage guest house", Kind: "direct", Contact: store.Contact{Phone: "00 555 0123"}}, begun},
	{store.Customer{Code: "SCH", Name: "Quillmoor school parents", Kind: "direct", Contact: store.Contact{Phone: "00 555 0126"}}, -400},
	{store.Customer{Code: "YOG", Name: "Stillwater yoga barn", Kind: "direct", Contact: store.Contact{Email: "barn@stillwater.example.org"}}, -350},
}

// buyers order online, a few of them often.
var buyers = []string{"I. Ashdown", "R. Penhallow", "T. Marchbank", "D. Fairweather", "L. Osgood", "S. Netherby", "A. Winslade", "M. Corran", "J. Talloway", "E. Birkett", "P. Sandifer", "K. Loveday",
	"H. Rushbrook", "N. Applegarth", "C. Tansley", "B. Holloway-Reed", "O. Merridew", "G. Thornbury", "F. Quiney", "V. Eastlake", "W. Padgett", "Z. Norcott", "U. Hartnoll", "Y. Bellwether",
	"A. Crowhurst", "M. Dunstall", "J. Fenwick-Moor", "E. Garside", "P. Inchbald", "K. Jessamy", "H. Kitto", "N. Lanyon", "C. Mossop", "B. Nunnery", "O. Ockenden"}

// parcel is what a customer was sent last.
type parcel struct {
	code  string
	lines []store.DispatchLine
	back  bool // something of it came back
}

// shops adds the customers that there are at the beginning; the others come when they first buy.
func (d *maker) shops() error {
	for _, list := range [][]shop{stockists, events, direct} {
		for _, c := range list {
			add := func() error {
				_, err := d.s.AddCustomer(d.ctx, d.by("mara"), store.Entry{}, c.Customer)
				return err
			}
			if c.since > d.begun {
				d.at(d.on(c.since, 8, 5), add)
			} else if err := add(); err != nil {
				return err
			}
		}
	}
	return nil
}

// trade is what leaves, comes back and is given away. In the first weeks there is nothing to sell.
func (d *maker) trade() {
	for on := d.begun + 21; on < 0; on++ {
		rnd := d.dice("trade", on)
		date := d.today.AddDays(on).Time()
		busy := 0
		if date.Month() == time.November || date.Month() == time.December {
			busy = 1
		}
		switch date.Weekday() {
		case time.Tuesday, time.Friday:
			var open []shop
			for _, s := range stockists {
				if s.since+2 < on {
					open = append(open, s)
				}
			}
			for i := range 1 + busy + rnd.IntN(2) {
				d.sell(on, 13+i, open[(rnd.IntN(len(open))+i)%len(open)].Code, 3+rnd.IntN(3), 7)
			}
		case time.Monday, time.Wednesday, time.Thursday:
			for i := range busy + rnd.IntN(3) {
				d.sellOnline(on, 15+i, rnd.IntN(min(len(buyers), 8+(on-d.begun)/22)))
			}
		case time.Saturday:
			if week := (on - d.begun) / 7; week%4 == 1 || busy == 1 && week%2 == 0 {
				d.fair(on, events[week%len(events)].Code)
			}
		}
		if on%61 == 0 {
			if s := direct[rnd.IntN(len(direct))]; s.since < on {
				d.sell(on, 11, s.Code, 2, 9)
			}
		}
		d.sundries(on)
	}
}

// fair packs a crate the evening before an event, sends it in the morning, and counts it back in the evening.
func (d *maker) fair(on int, event string) {
	rnd := d.dice("fair", on)
	d.at(d.on(on-1, 17, 10+rnd.IntN(30)), func() error {
		code, lines, err := d.crate(event, d.today.AddDays(on), 7, 9)
		if code == "" || err != nil {
			return err
		}
		d.at(d.on(on, 6, 40+rnd.IntN(15)), func() error { return d.leave(code, event, lines) })
		d.at(d.on(on, 18, 30+rnd.IntN(25)), func() error { return d.countBack(code, lines) })
		return nil
	})
}

// crate packs up to so many units of up to so many products for an event, and answers its code, empty for nothing to
// pack.
func (d *maker) crate(event string, on day.Day, kinds, most int) (string, []store.DispatchLine, error) {
	lines, err := d.pick(d.dice("crate "+event, int(d.clock.Unix()/86400)), kinds, most)
	if err != nil || len(lines) == 0 {
		return "", nil, err
	}
	code, err := d.s.AddCrate(d.ctx, d.by("pia"), store.Entry{}, store.NewCrate{Customer: event, On: on, Lines: lines})
	return code, lines, err
}

func (d *maker) leave(code, event string, lines []store.DispatchLine) error {
	sent, err := d.s.SendCrate(d.ctx, d.by("pia"), store.Entry{}, code, store.CrateLeaves{On: d.date()})
	d.sent[event] = parcel{code: sent, lines: lines}
	return err
}

// countBack books what is left of a crate; testers, broken ones and gifts too.
func (d *maker) countBack(code string, lines []store.DispatchLine) error {
	rnd := d.dice(code, 0)
	b := store.CrateBack{On: d.date()}
	var torn string
	for i, l := range lines {
		c := store.CrateCount{Packing: l.Packing, Left: l.Units * rnd.IntN(5) / 8}
		switch {
		case l.Units-c.Left < 2:
		case i == 0:
			c.Tester = 1
		case i == 1 && rnd.IntN(2) == 0:
			c.Broken = 1
		case i == 2 && rnd.IntN(3) == 0:
			c.Gift = 1
		case i == 3 && rnd.IntN(4) == 0:
			c.Damaged, c.Disposition, c.Note, torn = 1, "hold", "Wrap torn by a dog", l.Packing
		}
		b.Lines = append(b.Lines, c)
	}
	if torn != "" {
		d.at(d.clock.Add(5*24*time.Hour), func() error { return d.letGo(torn, "Whole under the wrap: wrapped anew") })
	}
	return d.s.BookCrateBack(d.ctx, d.by("pia"), store.Entry{}, code, b)
}

// sundries are returns, moves and holds, on days that their number picks.
func (d *maker) sundries(on int) {
	rnd := d.dice("sundries", on)
	switch on % 17 {
	case 0:
		d.at(d.on(on, 12, 5), func() error { return d.move("tester", 1, "For the shop counter") })
	case -4:
		d.at(d.on(on, 12, 10), func() error { return d.move("broken", 1+rnd.IntN(2), "Fell from the shelf") })
	case -8:
		d.at(d.on(on, 12, 15), func() error { return d.move("gift", 1, "For the school raffle") })
	case -12:
		d.at(d.on(on, 12, 20), func() error { return d.move("own_use", 1, "For the sink in the still room") })
	}
	switch s := stockists[rnd.IntN(3)].Code; on % 53 {
	case -7:
		d.at(d.on(on, 11, 0), func() error { return d.comeBack(s, 1, "destroy", "Dropped in the shop") })
	case -25:
		d.at(d.on(on, 11, 0), func() error { return d.comeBack(s, 2, "hold", "Wraps came back damp") })
	case -40:
		d.at(d.on(on, 11, 0), func() error { return d.comeBack(s, 2, "restock", "Ordered too many") })
	}
}

func (d *maker) sellOnline(on, hour, buyer int) {
	code := fmt.Sprintf("W%d", buyer+1)
	if !d.known[code] {
		d.known[code] = true
		d.at(d.on(on, hour-1, 58), func() error {
			mail := fmt.Sprintf("buyer%d@mail.example.org", buyer+1)
			_, err := d.s.AddCustomer(d.ctx, d.by("pia"), store.Entry{}, store.Customer{Code: code, Name: buyers[buyer], Kind: "online", Contact: store.Contact{Email: mail, Address: fmt.Sprintf("%d Weir Lane, Quillmoor", 3+2*buyer)}})
			return err
		})
	}
	d.sell(on, hour, code, 1+d.dice(code, on).IntN(3), 2)
}

// counted is what is on hand as the last count says, less what was sent since. Counting it anew for every parcel would
// take most of the time that a demo takes to make.
func (d *maker) counted() ([]store.ProductStock, error) {
	if d.stock != nil && d.clock.Sub(d.countedAt) < 6*24*time.Hour {
		return d.stock, nil
	}
	stock, err := d.s.Stock(d.ctx, d.workshop)
	d.stock, d.countedAt = stock, d.clock
	return stock, err
}

// sell sends up to so many units of up to so many products to a customer, from what is free, first out first.
func (d *maker) sell(on, hour int, customer string, kinds, most int) {
	rnd := d.dice("sell "+customer, on)
	d.at(d.on(on, hour, rnd.IntN(50)), func() error {
		lines, err := d.pick(rnd, kinds, most)
		if err != nil {
			return err
		}
		n := store.NewDispatch{Customer: customer, On: d.date(), Lines: lines}
		if len(n.Lines) == 0 {
			return nil
		}
		code, err := d.s.Dispatch(d.ctx, d.by("pia"), store.Entry{}, n)
		d.sent[customer] = parcel{code: code, lines: n.Lines}
		return err
	})
}

// pick takes up to so many units of up to so many products off the shelf.
func (d *maker) pick(rnd *rand.Rand, kinds, most int) ([]store.DispatchLine, error) {
	stock, err := d.counted()
	if err != nil {
		return nil, err
	}
	var lines []store.DispatchLine
	for _, i := range rnd.Perm(len(stock)) {
		if kinds == 0 {
			break
		}
		p := &stock[i]
		free := p.Free(d.date()) - forSets(p.Code)
		if free <= 0 {
			continue
		}
		kinds--
		// What lies in heaps is sold with a ribbon round two. The last weeks were quiet.
		want := 1 + rnd.IntN(most) + free/16
		if d.clock.After(d.on(-40, 0, 0)) {
			want = 1 + rnd.IntN(most)/3
		}
		want = min(want, free)
		for k := range p.Packings {
			units := min(want, p.Packings[k].Free())
			if p.Packings[k].Unfit(measure.Style{}, d.date()) != "" || units == 0 {
				continue
			}
			want -= units
			p.Packings[k].OnHand -= units
			lines = append(lines, store.DispatchLine{Packing: p.Packings[k].Code, Units: units})
		}
	}
	return lines, nil
}

// comeBack returns units of the customer's last dispatch.
func (d *maker) comeBack(customer string, units int, disposition, note string) error {
	p := d.sent[customer]
	for i, l := range p.lines {
		if l.Units < units {
			continue
		}
		p.lines[i].Units -= units
		p.back = true
		d.sent[customer] = p
		_, err := d.s.Return(d.ctx, d.by("pia"), store.Entry{}, store.NewReturn{Dispatch: p.code, Packing: l.Packing, On: d.date(), Units: units, Disposition: disposition, Note: note})
		if disposition == "hold" {
			d.at(d.clock.Add(12*24*time.Hour), func() error { return d.letGo(l.Packing, "Unwrapped, dry inside: wrapped anew") })
		}
		return err
	}
	return nil
}

// move takes units from a shelf without a dispatch.
func (d *maker) move(reason string, units int, note string) error {
	_, err := d.moved(reason, units, note)
	return err
}

// moved answers the code of the move, empty where nothing was there.
func (d *maker) moved(reason string, units int, note string) (string, error) {
	stock, err := d.counted()
	if err != nil {
		return "", err
	}
	at := d.dice(reason, int(d.clock.Unix()/86400))
	for range stock {
		p := &stock[at.IntN(len(stock))]
		for k := range p.Packings {
			if x := &p.Packings[k]; x.Unfit(measure.Style{}, d.date()) == "" && x.Free() >= units {
				x.OnHand -= units
				return d.s.MoveUnits(d.ctx, d.by("pia"), store.Entry{}, store.UnitMove{Packing: x.Code, On: d.date(), Reason: reason, Units: units, Note: note})
			}
		}
	}
	return "", nil
}
