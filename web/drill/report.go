package drillpages

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"example.org/stillroom/internal/drill"
	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/ui/paper"
)

// Reports are bounded a person: each goes through the whole reach of a lot.
const (
	reportMost   = 30
	reportWindow = time.Minute
)

type reportView struct {
	Number int
	Code   string
	Title  string
	Doc    record.Document
}

// report reads a drill and lays its report out.
func (a Area) report(r *ui.Request) (store.DrillPage, record.Document, error) {
	p, err := a.load(r)
	if err != nil {
		return p, record.Document{}, err
	}
	n, hash, err := a.Store.ChainHead(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return p, record.Document{}, err
	}
	printed := fmt.Sprintf("Printed %s (%s) by %s. The book's chain of records ended at link %d, %s", r.Clock().Time(r.Now), r.Workshop.Zone, r.Who.Name, n, hash[:min(16, len(hash))])
	return p, document(p, r.Workshop.Name, printed, r.Clock(), r.Now), nil
}

// Report is the report as a page.
func (a Area) Report(r *ui.Request) error {
	p, doc, err := a.report(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Report of drill "+p.Code(), "trace"), reportPage(reportView{Number: p.Number, Code: p.Code(), Title: p.Title, Doc: doc}))
}

// ReportPDF is the same as a file.
func (a Area) ReportPDF(r *ui.Request) error {
	if err := r.Throttle("list:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), reportMost, reportWindow); err != nil {
		return err
	}
	p, doc, err := a.report(r)
	if err != nil {
		return err
	}
	file, err := paper.PDF(doc, r.Now)
	if err != nil {
		return err
	}
	r.Log("export", "what", "report of a drill", "of", "drill", "code", p.Code(), "person", store.Text(r.Who.Person), "workshop", store.Text(r.Who.Workshop))
	h := r.W.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Length", strconv.Itoa(len(file)))
	h.Set("Content-Disposition", `attachment; filename="drill-`+p.Code()+`.pdf"`)
	if _, err := bytes.NewReader(file).WriteTo(r.W); err != nil {
		r.Log("report not taken", "code", p.Code(), "error", err.Error())
	}
	return nil
}

func say(text string) record.Cell { return record.Cell{{Text: text}} }

func whole(n int) record.Cell { return say(strconv.Itoa(n)) }

// document is the report: names of customers stand in it, their addresses do not.
func document(p store.DrillPage, workshop, printed string, clock ui.Clock, now time.Time) record.Document {
	d := record.Document{Title: "Report of drill " + p.Code(), Workshop: workshop, Code: p.Code(), Printed: printed}
	d.Sections = []record.Section{{Key: "drill", Title: p.Title, Blocks: []record.Block{record.Facts{List: about(p, clock, now)}}}, shown(p, clock), shelf(p), sent(p)}
	return d
}

func about(p store.DrillPage, clock ui.Clock, now time.Time) []record.Fact {
	var from record.Cell
	for _, o := range p.Origins {
		look := record.BatchCode
		if o.Node == "lot" {
			look = record.LotCode
		}
		from = append(from, record.Span{Text: o.Code, Look: look})
	}
	chosen := "chosen"
	if p.Drawn {
		chosen = "drawn at random by the program, among the lots that reached units which had left in the two years before"
	}
	listed, target := "not complete yet", "none was set"
	if p.ListedAt != nil {
		listed = clock.Time(*p.ListedAt)
	}
	if p.Target > 0 {
		target = minutes(p.Target)
	}
	facts := []record.Fact{
		{Term: "Starts from", Value: append(from, record.Span{Text: chosen})}, {Term: "Pretended", Value: say(p.Reason)}, {Term: "Began", Value: say(clock.Time(p.OpenedAt) + ", by " + p.OpenedBy)},
		{Term: "List complete", Value: say(listed)}, {Term: "Time to the full list", Value: record.Cell{{Text: drill.Took(p.Took(now)), Look: record.Strong}}}, {Term: "Target", Value: say(target + ". " + foodTarget)},
		{Term: "Covers", Value: say(count(len(p.Lots), "lot", "lots") + ", " + count(len(p.Batches), "batch", "batches") + ", " + count(len(p.Packings), "packing", "packings"))},
	}
	return append(facts, record.Fact{Term: "Blocked and told", Value: say("Nothing and nobody: it was a drill.")})
}

// shown is what it has shown: as it was signed, or as it stands while it is not.
func shown(p store.DrillPage, clock ui.Clock) record.Section {
	list, s := p.Signed, record.Section{Key: "shown", Title: "What it has shown"}
	if p.Open() {
		list = p.Conditions()
		s.Blocks = append(s.Blocks, record.Text(say("Not signed yet: this is how it stands now.")))
	}
	t := record.Table{Columns: []record.Column{{Title: "What", Share: 30}, {Title: "Shown", Share: 58}, {Title: "Gap", Share: 12}}}
	for _, c := range list {
		mark := ""
		if c.State != release.OK {
			mark = "yes"
		}
		t.Rows = append(t.Rows, []record.Cell{say(c.Name), say(c.Words), say(mark)})
	}
	s.Blocks = append(s.Blocks, t)
	if g := p.Signature; g != nil {
		words := "Signed by " + g.Name + ", " + g.LocalTime + ". SHA-256 of what was signed: " + g.Hash
		if g.Broken {
			words += ". What was signed is not what the book says now."
		}
		if g.Told {
			words += ". It came in with an import."
		}
		s.Blocks = append(s.Blocks, record.Text(say(words)))
	}
	return s
}

func shelf(p store.DrillPage) record.Section {
	s := record.Section{Key: "units", Title: "Units by packing, as they stood when it began"}
	if len(p.Packings) == 0 {
		s.Absent = "Nothing was packed of it."
		return s
	}
	t := record.Table{Columns: []record.Column{{Title: "Packing", Share: 16}, {Title: "Product", Share: 24}, {Title: "Good", Share: 8, Number: true}, {Title: "Sent", Share: 8, Number: true}, {Title: "Back", Share: 8, Number: true}, {Title: "Used", Share: 8, Number: true}, {Title: "Moved", Share: 9, Number: true},
		{Title: "On hand", Share: 9, Number: true}, {Title: "Counted", Share: 10, Number: true}, {Title: "Differs", Share: 9, Number: true}}}
	for _, x := range p.Packings {
		counted, differs := "", ""
		if x.Counted != nil {
			counted = strconv.Itoa(*x.Counted)
			if off := *x.Counted - p.Book(x); off != 0 {
				differs = fmt.Sprintf("%+d", off)
			}
		}
		t.Rows = append(t.Rows, []record.Cell{{{Text: x.Code, Look: record.BatchCode}}, say(cmp.Or(x.ProductName, x.ProductCode)), whole(x.Frozen.Good), whole(x.Frozen.Dispatched), whole(x.Frozen.Returned), whole(x.Frozen.Used), whole(x.Frozen.Moved), whole(x.OnHand), say(counted), say(differs)})
	}
	s.Blocks = []record.Block{record.Text(say("A count is held against what the book said at that moment: a drill blocks nothing, so units may have left since it began.")), t}
	return s
}

func sent(p store.DrillPage) record.Section {
	s := record.Section{Key: "customers", Title: "Customers"}
	if len(p.Customers) == 0 {
		s.Absent = "Nothing of it was sent to anybody."
		return s
	}
	t := record.Table{Columns: []record.Column{{Title: "Customer", Share: 44}, {Title: "Kind", Share: 18}, {Title: "Can be reached", Share: 26}, {Title: "Units", Share: 12, Number: true}}}
	for _, c := range p.Customers {
		ways := "yes"
		switch {
		case c.Kind == "event":
			ways = "by a public notice only"
		case len(reach(c)) == 0:
			ways = "no"
		}
		t.Rows = append(t.Rows, []record.Cell{say(c.Name), say(kindWords[c.Kind]), say(ways), whole(c.Units - c.Returned)})
	}
	s.Blocks = []record.Block{t}
	return s
}
