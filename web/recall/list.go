package recallpages

import (
	"encoding/csv"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"

	"example.org/stillroom/internal/epcis"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/sheet"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/trace"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/ui/paper"
)

// The media of the files.
const (
	mediaCSV  = "text/csv; charset=utf-8"
	mediaXLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	mediaPDF  = "application/pdf"
)

// mostOnPaper is how many lines of dispatches the PDF takes: it is laid out in memory.
const mostOnPaper = 10_000

// listHeader are the columns of the list as a file: those of a trace's list, then what a recall adds.
var listHeader = []string{"batch", "product", "product_name", "made_on", "best_before", "units", "returned", "customer", "customer_name", "customer_kind", "email", "phone", "dispatch", "dispatched_on", "packing", "also_marked",
	"address", "returned_now", "corrected_since"}

// cells are a line in the order of listHeader: texts, which a spreadsheet cannot take for formulas, and counts.
func cells(l store.RecallLine) []any {
	t := trace.Guard
	since := ""
	if l.Gone {
		since = "yes"
	}
	return []any{t(l.Batch), t(l.Product), t(l.ProductName), t(l.MadeOn), t(l.BestBefore), l.Units, l.Returned, t(l.Customer), t(l.CustomerName), t(l.CustomerKind), t(l.Email), t(l.Phone), t(l.Dispatch), t(l.DispatchedOn), t(l.Packing), t(l.AlsoMarked),
		t(l.Address), l.ReturnedNow, since}
}

// exported is the recall whose list is asked for, noted in the log. A drill's list is its own.
func (a Area) exported(r *ui.Request, what string) (int, error) {
	n, err := number(r)
	if err != nil {
		return 0, err
	}
	return n, r.Export(what, "recall", strconv.Itoa(n))
}

// fileName is that of a list of recall n.
func fileName(n int, ending string) string {
	return "recall-list-" + ui.FileWord(store.RecallCode(n, false)) + ending
}

// CSV is the frozen list for a spreadsheet.
func (a Area) CSV(r *ui.Request) error {
	n, err := a.exported(r, "list of a recall")
	if err != nil {
		return err
	}
	return r.Download(mediaCSV, fileName(n, ".csv"), func(w io.Writer) error {
		out := csv.NewWriter(w)
		if err := out.Write(listHeader); err != nil {
			return err
		}
		row := make([]string, len(listHeader))
		err := a.Store.EachRecallLine(r.HTTP.Context(), r.Who.Workshop, n, func(l store.RecallLine) error {
			for i, c := range cells(l) {
				row[i] = fmt.Sprint(c)
			}
			return out.Write(row)
		})
		out.Flush()
		if err != nil {
			return err
		}
		return out.Error()
	})
}

// XLSX is the same as a workbook.
func (a Area) XLSX(r *ui.Request) error {
	n, err := a.exported(r, "list of a recall, XLSX")
	if err != nil {
		return err
	}
	return r.Download(mediaXLSX, fileName(n, ".xlsx"), func(w io.Writer) error {
		out, err := sheet.NewWriter(w, store.RecallCode(n, false), listHeader...)
		if err != nil {
			return err
		}
		if err := a.Store.EachRecallLine(r.HTTP.Context(), r.Who.Workshop, n, func(l store.RecallLine) error { return out.Row(cells(l)...) }); err != nil {
			return err
		}
		return out.Close()
	})
}

// EPCIS is what happened to all that the recall covers, as events of the open standard.
func (a Area) EPCIS(r *ui.Request) error {
	n, err := a.exported(r, "EPCIS")
	if err != nil {
		return err
	}
	return r.Download(epcis.MediaType, "epcis-"+ui.FileWord(store.RecallCode(n, false))+".jsonld", func(w io.Writer) error {
		return a.Store.EPCISOfRecall(r.HTTP.Context(), r.Who.Workshop, n, r.Now, w)
	})
}

// listView is the frozen list for paper.
type listView struct {
	recallView
	Stamp ui.Stamp
}

func (a Area) listOf(r *ui.Request, what string) (listView, error) {
	n, err := a.exported(r, what)
	if err != nil {
		return listView{}, err
	}
	page, err := a.Store.Recall(r.HTTP.Context(), r.Who.Workshop, n)
	if err != nil {
		return listView{}, err
	}
	lines, err := a.Store.RecallLines(r.HTTP.Context(), r.Who.Workshop, n)
	if err != nil {
		return listView{}, err
	}
	v := listView{recallView: newRecallView(r.Workshop.Style, page, lines)}
	v.Clock = r.Clock()
	v.Stamp, err = r.Stamp()
	return v, err
}

// List is the list to look at and to print.
func (a Area) List(r *ui.Request) error {
	v, err := a.listOf(r, "list of a recall, printed")
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("List of "+v.Code(), "trace"), listPage(v))
}

// PDF is the list on A4, to print and sign.
func (a Area) PDF(r *ui.Request) error {
	v, err := a.listOf(r, "list of a recall, PDF")
	if err != nil {
		return err
	}
	if len(v.Lines) > mostOnPaper {
		return fault.New(fault.Conflict, fmt.Sprintf("The list has %s lines, and the PDF takes %s. Take the CSV or the spreadsheet.", whole(len(v.Lines)), whole(mostOnPaper)))
	}
	file, err := paper.PDF(v.document(), r.Now)
	if err != nil {
		return err
	}
	return r.Download(mediaPDF, fileName(v.Number, ".pdf"), func(w io.Writer) error {
		_, err := w.Write(file)
		return err
	})
}

func words(text string) record.Cell    { return record.Cell{{Text: text}} }
func code(text string) record.Cell     { return record.Cell{{Text: text, Look: record.BatchCode}} }
func figure(n int) record.Cell         { return words(whole(n)) }
func fact(term, is string) record.Fact { return record.Fact{Term: term, Value: words(is)} }

// document is the list as it is signed: what it is, what to take off the shelf, whom to tell, each dispatch.
func (v listView) document() record.Document {
	doc := record.Document{Title: "List of recall " + v.Code(), Workshop: v.Stamp.Workshop, Code: v.Code(), Printed: v.Stamp.Line() + " " + v.Stamp.Hash}
	started := record.List{}
	for _, o := range v.from() {
		look := record.BatchCode
		if o.Node == "lot" {
			look = record.LotCode
		}
		started = append(started, record.Cell{{Text: o.Node}, {Text: o.Code, Look: look}, {Text: o.Words}})
	}
	facts := record.Facts{List: []record.Fact{fact("Recall", v.Title), fact("How far", v.since()), fact("What is wrong", v.Reason)}}
	for _, f := range [][2]string{{"What can happen", v.Hazard}, {"What to do", v.ToDo}, {"Remedy", v.Remedy}, {"Where to turn to", v.Contact}} {
		if f[1] != "" {
			facts.List = append(facts.List, fact(f[0], f[1]))
		}
	}
	for _, cell := range v.strip() {
		facts.List = append(facts.List, fact(cell.Title, cell.Detail))
	}
	doc.Sections = []record.Section{{Key: "recall", Title: "The recall", Blocks: []record.Block{facts}}, {Key: "origins", Title: "It started from", Blocks: []record.Block{started}}, v.shelfSection(), v.lotSection(), v.tellSection(), v.dispatchSection(),
		{Key: "signed", Title: "Looked through", Blocks: []record.Block{record.Text(words("The list was held against the shelf and against the dispatches, and is complete as far as I can tell.")), record.List{words(""), words("Name ____________________________________    Date ____________________"), words(""), words("Signature ________________________________")}}}}
	return doc
}

// orAbsent is a section with a table, or why it has none.
func orAbsent(key, title, absent string, t record.Table) record.Section {
	if len(t.Rows) == 0 {
		return record.Section{Key: key, Title: title, Absent: absent}
	}
	return record.Section{Key: key, Title: title, Blocks: []record.Block{t}}
}

func (v listView) shelfSection() record.Section {
	t := record.Table{Columns: []record.Column{{Title: "Code", Share: 16}, {Title: "Product", Share: 24}, {Title: "On the label", Share: 15}, {Title: "Here", Share: 9, Number: true}, {Title: "Place", Share: 24}, {Title: "Counted", Share: 12}}}
	for _, p := range v.Here() {
		t.Rows = append(t.Rows, []record.Cell{marked(p.Code, p.Also), words(p.ProductName), words(printed(v.style, p)), figure(p.OnHandNow), words(v.where(p)), words(v.countedBox(p))})
	}
	return orAbsent("shelf", "To take off the shelf", "No unit of it is here.", t)
}

// where is where units of a packing lie, in words.
func (v listView) where(p store.RecallPacking) string {
	var parts []string
	if n := v.shelf(p); n > 0 {
		parts = append(parts, whole(n)+" on the shelf")
	}
	for _, place := range v.places(p.Code) {
		parts = append(parts, whole(place.Units)+" "+placeWords(v.style, place))
	}
	return strings.Join(parts, "; ")
}

func (v listView) countedBox(p store.RecallPacking) string {
	if p.Counted == nil {
		return "________"
	}
	return whole(*p.Counted)
}

func marked(packing, also string) record.Cell {
	c := code(packing)
	if also != "" {
		c = append(c, record.Span{Text: "or marked " + also, Look: record.Quiet})
	}
	return c
}

func (v listView) lotSection() record.Section {
	t := record.Table{Columns: []record.Column{{Title: "Lot or batch", Share: 20}, {Title: "What", Share: 40}, {Title: "Left of it", Share: 20, Number: true}, {Title: "State", Share: 20}}}
	add := func(look record.Look, list []store.RecallNode) {
		for _, n := range list {
			state := "let go"
			if n.Blocked {
				state = "blocked"
			}
			t.Rows = append(t.Rows, []record.Cell{{{Text: n.Code, Look: look}}, words(n.Name), words(onHand(v.style, n)), words(state)})
		}
	}
	add(record.LotCode, v.Lots)
	add(record.BatchCode, v.Batches)
	return orAbsent("lots", "Lots and batches", "It covers packings alone.", t)
}

func (v listView) tellSection() record.Section {
	t := record.Table{Columns: []record.Column{{Title: "Customer", Share: 26}, {Title: "Reach by", Share: 28}, {Title: "Codes", Share: 22}, {Title: "Units", Share: 8, Number: true}, {Title: "Told on, by", Share: 16}}}
	for _, h := range append(append([]holder{}, v.Holders...), v.Events...) {
		codes := record.Cell{}
		for i, p := range h.Of {
			if i > 0 {
				codes = append(codes, record.Span{Text: "\n"})
			}
			codes = append(append(codes, record.Span{Text: whole(p.Left()) + " of"}), marked(p.Packing, p.Also)...)
		}
		t.Rows = append(t.Rows, []record.Cell{{{Text: h.Name}, {Text: h.Code + ", " + kindWords[h.Kind], Look: record.Quiet}}, words(h.reachWords(v.style)), codes, figure(h.Left()), words("")})
	}
	return orAbsent("tell", "To tell", "Nothing of it was sent to anybody.", t)
}

// reachWords is how a customer is told, in words.
func (h holder) reachWords(style measure.Style) string {
	parts := joined(h.Email, h.Phone, h.Place)
	switch {
	case h.Kind == "event":
		return joined("public notice", parts, "there on "+h.days(style))
	case parts == "":
		return "no address known"
	}
	return parts
}

func (v listView) dispatchSection() record.Section {
	t := record.Table{Columns: []record.Column{{Title: "Dispatch", Share: 16}, {Title: "Sent", Share: 13}, {Title: "Customer", Share: 24}, {Title: "Code", Share: 16}, {Title: "Product", Share: 17}, {Title: "Units", Share: 7, Number: true}, {Title: "Back", Share: 7, Number: true}}}
	for _, l := range v.Lines {
		sent := words(l.Dispatch)
		if l.Gone {
			sent = append(sent, record.Span{Text: "corrected since", Look: record.Quiet})
		}
		t.Rows = append(t.Rows, []record.Cell{sent, words(long(v.style, l.DispatchedOn)), words(l.CustomerName), code(l.Packing), words(l.ProductName), figure(l.Units), figure(l.ReturnedNow)})
	}
	return orAbsent("dispatches", "Dispatches", "None.", t)
}

// listPath is where the list leads back to.
func (v listView) listPath() string { return paths.Recall(v.Number) }
