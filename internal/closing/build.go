package closing

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"example.org/stillroom/internal/countback"
	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/release"
)

// Keys of the sections, in their order.
const (
	KeyRecall    = "recall"
	KeyScope     = "scope"
	KeyCounted   = "counted"
	KeyCustomers = "customers"
	KeyUnreached = "unreached"
	KeyStock     = "stock"
	KeyTimeline  = "timeline"
	KeyClosing   = "closing"
	KeyChain     = "chain"
)

type writer struct{ Source }

// Build lays the source out; every section is there.
func Build(s Source) record.Document {
	w := writer{s}
	title := "Closing report " + s.Code
	if s.Closed == nil {
		title = "Interim report " + s.Code
	}
	d := record.Document{Title: title, Workshop: s.Workshop, Code: s.Code,
		Printed: fmt.Sprintf("Written out %s (%s) for %s · chain of records %d, %s", w.at(s.Now), s.Zone, s.By, s.ChainN, s.ChainSum[:min(16, len(s.ChainSum))])}
	for _, part := range []struct {
		key, title, absent string
		blocks             []record.Block
	}{
		{KeyRecall, "The recall", "", w.facts()},
		{KeyScope, "What it covers", "Nothing.", w.scope()},
		{KeyCounted, "How far it came", "A recall of stock only asks nobody for units.", w.counted()},
		{KeyCustomers, "Customers", "Nobody outside had units.", w.customers()},
		{KeyUnreached, "What was not reached", "Everybody with units was told, who was told by name answered, and all units are accounted for.", w.unreached()},
		{KeyStock, "Our own stock", "Nothing of it was packed.", w.stock()},
		{KeyTimeline, "Timeline", "", w.timeline()},
		{KeyClosing, "Closing", "It is not closed: this report is interim, and shows how it stands now.", w.closing()},
		{KeyChain, "This copy", "", w.chain()},
	} {
		x := record.Section{Key: part.key, Title: part.title, Blocks: part.blocks}
		if len(part.blocks) == 0 {
			x.Absent = part.absent
		}
		d.Sections = append(d.Sections, x)
	}
	return d
}

func plain(text string) record.Cell { return record.Cell{{Text: text}} }

func quiet(text string) record.Cell { return record.Cell{{Text: text, Look: record.Quiet}} }

func code(text string) record.Cell { return record.Cell{{Text: text, Look: record.BatchCode}} }

func number(n int) record.Cell { return plain(strconv.Itoa(n)) }

func or(text, other string) record.Cell {
	if text == "" {
		return quiet(other)
	}
	return plain(text)
}

func (w writer) at(t time.Time) string { return w.Style.Moment(t, w.Zone) }

// levels are how far a recall reaches, in words.
var levels = map[string]string{"consumer": "Back from everybody, consumers too", "stockist": "Back from stockists", "stock": "Our own stock only"}

// ways are how somebody was told.
var ways = map[string]string{"telephone": "telephone", "email": "e-mail", "letter": "letter", "in_person": "in person", "notice": "public notice"}

// kinds are those of customers.
var kinds = map[string]string{"stockist": "stockist", "online": "online order", "event": "event", "direct": "direct"}

// Way is how somebody was told, in words.
func Way(how string) string { return word(ways, how) }

func word(words map[string]string, key string) string {
	if w := words[key]; w != "" {
		return w
	}
	return key
}

func (w writer) facts() []record.Block {
	f := func(term string, value record.Cell) record.Fact { return record.Fact{Term: term, Value: value} }
	list := []record.Fact{f("Recall", plain(w.Code+": "+w.Title)), f("Reaches", plain(word(levels, w.Level))), f("Reason", plain(w.Reason))}
	if w.Level != "stock" {
		list = append(list, f("Hazard", or(w.Hazard, "not written down")), f("What to do", or(w.ToDo, "not written down")), f("Remedy", or(w.Remedy, "not written down")), f("Where to turn", or(w.Contact, "not written down")))
	}
	state := "Runs"
	if w.Closed != nil {
		state = "Closed " + w.at(w.Closed.At)
	}
	return []record.Block{record.Facts{List: append(list, f("Opened", plain(w.at(w.OpenedAt)+", "+w.OpenedBy)), f("State", plain(state)))}}
}

func (w writer) scope() []record.Block {
	var blocks []record.Block
	var from record.List
	for _, o := range w.Origins {
		from = append(from, plain("Started from "+o))
	}
	if len(from) > 0 {
		blocks = append(blocks, from)
	}
	nodes := func(caption string, list []Node, look record.Look) {
		t := record.Table{Caption: caption, Columns: []record.Column{{Title: "Code", Share: 2}, {Title: "What", Share: 6}}}
		for _, n := range list {
			t.Rows = append(t.Rows, []record.Cell{{{Text: n.Code, Look: look}}, plain(n.Name)})
		}
		if len(list) > 0 {
			blocks = append(blocks, t)
		}
	}
	nodes("Lots and tubs", w.Lots, record.LotCode)
	nodes("Batches", w.Batches, record.BatchCode)
	t := record.Table{Caption: "Packings as the list was frozen", Columns: []record.Column{{Title: "Code on the units", Share: 3}, {Title: "Product", Share: 5}, {Title: "Best before, as printed", Share: 3}, {Title: "Good units", Share: 2, Number: true}, {Title: "With customers", Share: 2, Number: true}, {Title: "Here", Share: 2, Number: true}}}
	for _, p := range w.Packings {
		t.Rows = append(t.Rows, []record.Cell{code(p.Code), plain(p.Product), or(p.Printed, "none"), number(p.Good), number(p.Out), number(p.OnHand)})
	}
	if len(t.Rows) > 0 {
		blocks = append(blocks, t)
	}
	return blocks
}

func (w writer) counted() []record.Block {
	if w.Level == "stock" {
		return nil
	}
	u := w.Units
	f := func(term string, n int, share string) record.Fact {
		value := number(n)
		if share != "" {
			value = append(value, record.Span{Text: share, Look: record.Quiet})
		}
		return record.Fact{Term: term, Value: value}
	}
	list := []record.Fact{f("Units out", u.Out, ""), f("Came back", u.Returned, countback.Percent(u.Returned, u.Out)), f("Destroyed there", u.Destroyed, countback.Percent(u.Destroyed, u.Out)),
		f("Recovered", u.Recovered(), u.RecoveredPct()), f("Used already", u.Used, countback.Percent(u.Used, u.Out)), f("Sold on", u.Sold, countback.Percent(u.Sold, u.Out)),
		f("Accounted for", u.Accounted(), u.AccountedPct()), f("Not accounted for", u.Missing(), countback.Percent(u.Missing(), u.Out))}
	if u.Over() > 0 {
		list = append(list, f("More than went out", u.Over(), ""))
	}
	words := "Recovered: came back or destroyed there, of the units out. Accounted for: used or sold on as well. Percentages are rounded down (common practice, no source)."
	if w.Untied > 0 {
		words += fmt.Sprintf(" %d of those that came back are on nobody's account: the dispatch is not known.", w.Untied)
	}
	if w.BeyondUnits > 0 {
		words += fmt.Sprintf(" Not asked for at this level: %d units with %d customers who are no stockists.", w.BeyondUnits, w.Beyond)
	}
	return []record.Block{record.Facts{List: list}, record.Text(quiet(words))}
}

func (w writer) customers() []record.Block {
	t := record.Table{Columns: []record.Column{{Title: "Customer", Share: 6}, {Title: "Told", Share: 5}, {Title: "Answered", Share: 3}, {Title: "Out", Share: 2, Number: true}, {Title: "Recovered", Share: 3, Number: true}, {Title: "Accounted for", Share: 3, Number: true}, {Title: "Missing", Share: 2, Number: true}}}
	for _, c := range w.Customers {
		told := quiet("not told")
		if c.ToldAt != nil {
			told = plain(w.at(*c.ToldAt) + ", " + Way(c.How) + ", " + c.By)
			if c.Times > 1 {
				told = append(told, record.Span{Text: fmt.Sprintf("(%d times)", c.Times), Look: record.Quiet})
			}
		}
		answered := quiet("no answer")
		if !c.Answered.IsZero() {
			answered = plain(w.Style.Day(c.Answered))
		} else if c.Kind == "event" {
			answered = quiet("not known by name")
		}
		t.Rows = append(t.Rows, []record.Cell{{{Text: c.Name}, {Text: word(kinds, c.Kind) + ", " + c.Code, Look: record.Quiet}}, told, answered, number(c.Out),
			plain(strconv.Itoa(c.Recovered()) + ", " + c.RecoveredPct()), plain(strconv.Itoa(c.Accounted()) + ", " + c.AccountedPct()), number(c.Missing())})
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return []record.Block{t}
}

func (w writer) unreached() []record.Block {
	var list record.List
	for _, c := range w.Customers {
		var what []string
		if c.ToldAt == nil {
			what = append(what, "not told")
		} else if c.Answered.IsZero() && c.Kind != "event" {
			what = append(what, "no answer")
		}
		if c.Missing() > 0 {
			what = append(what, fmt.Sprintf("%d not accounted for", c.Missing()))
		}
		if len(what) > 0 {
			list = append(list, plain(c.Name+" ("+c.Code+"): "+strings.Join(what, ", ")+"."))
		}
	}
	if len(list) == 0 {
		return nil
	}
	return []record.Block{list}
}

func (w writer) stock() []record.Block {
	t := record.Table{Columns: []record.Column{{Title: "Code", Share: 3}, {Title: "Here when frozen", Share: 3, Number: true}, {Title: "Found", Share: 2, Number: true}, {Title: "Came back and kept", Share: 3, Number: true}, {Title: "Came back and destroyed", Share: 3, Number: true}, {Title: "Thrown away or used", Share: 3, Number: true}, {Title: "Here now", Share: 2, Number: true}, {Title: "On hold", Share: 2, Number: true}}}
	for _, p := range w.Packings {
		found := quiet("not counted")
		if p.Counted != nil {
			found = number(*p.Counted)
		}
		t.Rows = append(t.Rows, []record.Cell{code(p.Code), number(p.OnHand), found, number(p.Restocked), number(p.Destroyed), number(p.Left), number(p.OnHandNow), number(p.HeldNow)})
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return []record.Block{t}
}

func (w writer) timeline() []record.Block {
	t := record.Table{Columns: []record.Column{{Title: "When", Share: 4}, {Title: "What", Share: 9}, {Title: "By", Share: 4}}}
	for _, e := range w.Events {
		what, by := plain(e.What), plain(e.By)
		if e.Withdrawn {
			what = record.Cell{{Text: e.What, Look: record.Old}, {Text: "taken back: " + e.Why, Look: record.Quiet}}
		}
		if !e.Written.IsZero() && e.Written.Sub(e.At).Abs() > time.Hour {
			by = append(by, record.Span{Text: "written down " + w.at(e.Written), Look: record.Quiet})
		}
		t.Rows = append(t.Rows, []record.Cell{plain(w.at(e.At)), what, by})
	}
	return []record.Block{t}
}

func conditions(list []release.Condition) record.List {
	var out record.List
	for _, c := range list {
		look := record.Plain
		if c.State == release.OK {
			look = record.Quiet
		}
		out = append(out, record.Cell{{Text: c.Name + ":"}, {Text: c.Words, Look: look}})
	}
	return out
}

func (w writer) closing() []record.Block {
	c := w.Closed
	if c == nil {
		return nil
	}
	f := func(term string, value record.Cell) record.Fact { return record.Fact{Term: term, Value: value} }
	list := []record.Fact{f("Note", plain(c.Note)), f("Signed", plain(c.Name+", "+c.LocalTime)), f("What the signature means", plain("closed")), f("SHA-256 of what was signed", quiet(c.Hash))}
	if c.Told {
		list = append(list, f("Told", plain("The signature came in with an import: this program did not see it.")))
	}
	if c.Broken {
		list = append(list, f("Changed since", record.Cell{{Text: "The recall is no longer what was signed.", Look: record.Strong}}))
	}
	blocks := []record.Block{record.Facts{List: list}}
	if len(c.Seen) > 0 {
		blocks = append(blocks, record.Text(plain("How it stood when it was signed:")), conditions(c.Seen))
	}
	return blocks
}

func (w writer) chain() []record.Block {
	f := func(term string, value record.Cell) record.Fact { return record.Fact{Term: term, Value: value} }
	return []record.Block{record.Facts{List: []record.Fact{
		f("Written out", plain(w.at(w.Now)+" ("+w.Zone.String()+")")), f("For", plain(w.By)), f("Chain of records", plain(fmt.Sprintf("link %d", w.ChainN))), f("Its hash", record.Cell{{Text: w.ChainSum}, {Text: "SHA-256", Look: record.Quiet}}),
		f("What that is for", quiet("Each change of the book adds a link to this chain. A book that still gives this hash for this link has not been rewritten since.")),
	}}}
}
