package record

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
)

func (w *writer) deviations() ([]Block, string) {
	if len(w.Deviations) == 0 {
		return nil, "None."
	}
	t := Table{Columns: []Column{{Title: "No.", Share: 7, Number: true}, {Title: "What, and the reason given", Share: 42}, {Title: "Raised", Share: 22}, {Title: "Decision, on what it rests, by", Share: 35}}}
	for _, d := range w.Deviations {
		look := Plain
		if d.Withdrawn {
			look = Old
		}
		what := Cell{{Text: d.What, Look: look}}
		if d.About != "" {
			what = append(what, Span{Text: d.About, Look: BatchCode})
		}
		if d.Reason != "" {
			what = append(what, Span{Text: "\nReason: " + d.Reason})
		}
		var decision Cell
		switch {
		case d.Withdrawn:
			decision = Cell{{Text: "taken back: what raised it was corrected", Look: Quiet}}
		case d.Decision == "":
			decision = Cell{{Text: "not decided", Look: Strong}}
		default:
			word := map[string]string{"accept": "accepted", "reject": "rejected"}[d.Decision]
			decision = Cell{{Text: word, Look: Strong}, {Text: d.Note + "\n" + w.by(d.Decided)}}
		}
		t.Rows = append(t.Rows, []Cell{plain(strconv.Itoa(d.N)), what, plain(w.by(d.Raised)), decision})
	}
	return []Block{t}, ""
}

func (w *writer) rework() ([]Block, string) {
	if len(w.Rework) == 0 {
		return nil, "None: no rejected or left-over product of it was given leave to be worked in again."
	}
	t := Table{Columns: []Column{{Title: "What", Share: 26}, {Title: "Into", Share: 22}, {Title: "Why", Share: 28}, {Title: "Signed", Share: 34}}}
	for _, r := range w.Rework {
		look := Plain
		if r.Withdrawn {
			look = Old
		}
		what := map[string]string{"rejects": "rejected product", "left_over": "left-over product"}[r.What]
		signed := Cell{{Text: r.Signature.Name + ", " + r.Signature.when() + "\n" + r.Signature.Hash}}
		if r.Signature.Broken {
			signed = append(signed, Span{Text: "\nno longer what was signed", Look: Strong})
		}
		t.Rows = append(t.Rows, []Cell{{{Text: "up to " + w.g(r.Grams) + " of " + what, Look: look}, {Text: "\n" + w.g(r.DrawnG) + " drawn so far", Look: Quiet}}, plain("a batch of " + r.Into), plain(r.Reason), signed})
	}
	return []Block{t}, ""
}

func (w *writer) release() ([]Block, string) {
	var blocks []Block
	for _, r := range w.Releases {
		facts := Facts{Title: "Packing " + r.Code, List: []Fact{fact("Decision", Cell{{Text: stateWords(r.Status), Look: Strong}})}}
		if w.Bulk {
			facts.Title = "Bulk " + r.Code
		}
		for _, s := range r.Signatures {
			stands := Cell{{Text: "yes"}}
			if s.Broken {
				stands = Cell{{Text: "NO: the record was changed after it was signed; see Corrections", Look: Strong}}
			}
			facts.List = append(facts.List, fact("Signed", plain(s.Name+", meaning: "+s.Meaning+", "+s.when())), fact("Hash of what was signed", Cell{{Text: s.Hash}, {Text: "SHA-256", Look: Quiet}}), fact("Still what was signed", stands))
		}
		blocks = append(blocks, facts)
		if len(r.Signatures) == 0 {
			blocks = append(blocks, conditions("Not signed. The conditions as they stand now", r.Conditions))
		}
		for _, s := range r.Signatures {
			blocks = append(blocks, conditions("The conditions as "+s.Name+" signed them ("+s.Meaning+")", s.Seen))
		}
	}
	if len(blocks) == 0 {
		return nil, w.notPacked()
	}
	return blocks, ""
}

func conditions(caption string, list []release.Condition) Block {
	t := Table{Caption: caption, Columns: []Column{{Title: "Condition", Share: 28}, {Title: "State", Share: 14}, {Title: "Evidence", Share: 58}}}
	for _, c := range list {
		state := map[release.State]Span{release.OK: {Text: "met"}, release.Warn: {Text: "warning"}, release.Fail: {Text: "in the way", Look: Strong}}[c.State]
		t.Rows = append(t.Rows, []Cell{plain(c.Name), {state}, plain(c.Words)})
	}
	return t
}

// corrections lists every value that no longer stands beside what replaced it.
func (w *writer) corrections() ([]Block, string) {
	t := Table{Columns: []Column{{Title: "What", Share: 26}, {Title: "Was", Share: 22}, {Title: "Is now", Share: 22}, {Title: "Why", Share: 24}, {Title: "By, when", Share: 24}}}
	add := func(what string, was, now Cell, why string, by Made) {
		t.Rows = append(t.Rows, []Cell{plain(what), was, now, textOr(why, "no reason given"), plain(w.by(by))})
	}
	list, words := w.entries(), map[string]string{}
	for _, e := range list {
		words[e.entry.ID] = e.words
	}
	for _, c := range list {
		gone := c.entry.Gone
		if gone == nil {
			continue
		}
		now := Cell{{Text: "taken back"}}
		if gone.Now != "" {
			now = plain(words[gone.Now])
		}
		add(c.what, Cell{{Text: c.words, Look: Old}}, now, gone.Why, gone.Made)
	}
	for _, c := range w.Changes {
		add(c.What, Cell{{Text: cmp.Or(c.Was, "nothing"), Look: Old}}, plain(cmp.Or(c.Now, "nothing")), c.Why, c.Made)
	}
	if len(t.Rows) == 0 {
		return nil, "None: every entry stands as it was first written."
	}
	return []Block{t}, ""
}

// noted is an entry with what it is about and what it says.
type noted struct {
	entry Entry
	what  string
	words string
	did   string // for the list of people: "weighing", "step"
}

// entries are all entries of the record.
func (w *writer) entries() []noted {
	var list []noted
	add := func(e Entry, did, what, words string) { list = append(list, noted{e, what, words, did}) }
	w.eachInput(func(name string, in Input) {
		words := w.weighed(in)
		if from := cmp.Or(in.Lot, in.Batch); from != "" {
			words += " of " + from
		}
		add(in.Entry, "weighed", "Weighing of "+name, words)
	})
	for _, s := range w.Steps {
		for _, t := range s.Ticks {
			add(t.Entry, "did steps", "Step “"+s.Text+"”", "done "+w.at(t.Done)+strings.TrimRight(" "+t.Note, " "))
		}
	}
	for _, c := range w.Controls {
		for _, r := range c.Readings {
			add(r.Entry, "took readings", c.Name+", "+controlStage(c.Stage), w.figure(r.Value, c.Unit))
		}
	}
	for _, a := range w.Air {
		add(a.Entry, "read the room", "The room, "+map[string]string{"making": "at making", "cure": "over the cure"}[a.Stage], w.Style.Degrees(a.C)+", "+pct(a.Pct)+", "+w.at(a.Taken))
	}
	for _, x := range w.Cure.Weighings {
		add(x.Entry, "weighed the marked unit", "The marked unit", w.g(x.Grams)+", "+w.at(x.Taken))
	}
	for _, r := range w.Rejects {
		add(r.Entry, "rejected units", "Units rejected "+rejectStage(r.Stage), units(r.Units)+" "+r.Reason)
	}
	for _, s := range w.Stages {
		add(s.Entry, "weighed units together", "Weighed together "+rejectStage(s.Stage), units(s.Units)+", "+w.g(s.Grams))
	}
	for _, e := range w.Equipment {
		add(e.Entry, "noted equipment", "Equipment used", e.Code+" "+e.Name)
	}
	for _, p := range w.Packings {
		add(p.Entry, "packed", "Packing "+p.Code, units(p.Good))
		for _, m := range p.Packaging {
			add(m.Entry, "took packaging", m.Name+" for "+p.Code, w.amount(m.Quantity, m.Unit)+" of "+m.Lot+", "+w.amount(m.Spoiled, m.Unit)+" spoiled")
		}
	}
	for _, c := range w.Codes {
		add(c.Entry, "noted codes on units", "Code "+c.Code+" on units", codeWords(c))
	}
	for _, s := range w.Samples {
		add(s.Entry, "put samples by", "Sample of "+s.Packing, units(s.Units)+", "+s.Place)
		for _, l := range s.Inspections {
			add(l.Entry, "looked at samples", "Inspection of a sample of "+s.Packing, w.date(l.On)+": "+strings.ReplaceAll(l.Result, "_", " ")+strings.TrimRight(", "+l.Words, ", "))
		}
	}
	return list
}

// people are all who took part, in the order in which they first did.
func (w *writer) people() ([]Block, string) {
	var names []string
	did := map[string][]string{}
	times := map[[2]string]int{}
	note := func(name, what string) {
		if name == "" {
			return
		}
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
		if times[[2]string{name, what}]++; times[[2]string{name, what}] == 1 {
			did[name] = append(did[name], what)
		}
	}
	if m := w.Master; m != nil {
		note(m.ApprovedBy, "approved the formula")
	}
	note(w.MadeBy, "began the batch")
	for _, e := range w.entries() {
		note(e.entry.By, e.did)
		if e.entry.Gone != nil {
			note(e.entry.Gone.By, "corrected entries")
		}
	}
	for _, c := range w.Changes {
		note(c.By, "corrected entries")
	}
	for _, d := range w.Deviations {
		note(d.Decided.By, "decided deviations")
	}
	for _, r := range w.Rework {
		note(r.Signature.Name, "signed rework")
	}
	for _, r := range w.Releases {
		for _, s := range r.Signatures {
			note(s.Name, s.Meaning+" "+r.Code)
		}
	}
	if len(names) == 0 {
		return nil, "The older book that it comes from names nobody."
	}
	t := Table{Columns: []Column{{Title: "Name", Share: 28}, {Title: "What they did", Share: 72}}}
	for _, name := range names {
		var words []string
		for _, what := range did[name] {
			if n := times[[2]string{name, what}]; n > 1 {
				what += " (" + quantity.Format(decimal.NewFromInt(int64(n))) + ")"
			}
			words = append(words, what)
		}
		t.Rows = append(t.Rows, []Cell{plain(name), plain(strings.Join(words, ", "))})
	}
	return []Block{t, Text(Cell{{Text: "Each entry above names who made it and when. A second person's check of each step is not kept in this book; the release is signed by one who looked at all of it.", Look: Quiet}})}, ""
}

func (w *writer) documents() ([]Block, string) {
	if len(w.Documents) == 0 {
		return nil, "None. The papers of its lots are kept with the lots."
	}
	t := Table{Columns: []Column{{Title: "Name", Share: 36}, {Title: "What it is", Share: 20}, {Title: "Bytes", Share: 14, Number: true}, {Title: "SHA-256", Share: 40}}}
	for _, d := range w.Documents {
		t.Rows = append(t.Rows, []Cell{plain(d.Name), plain(PaperKind(d.Kind)), plain(quantity.Format(decimal.NewFromInt(int64(d.Size)))), plain(d.SHA256)})
	}
	return []Block{t}, ""
}

// PaperKind says in words what a paper is.
func PaperKind(kind string) string {
	switch kind {
	case "certificate":
		return "certificate of analysis"
	case "safety_data_sheet":
		return "safety data sheet"
	case "delivery_note":
		return "delivery note"
	case "label":
		return "label"
	case "photo":
		return "photo"
	case "lab_result":
		return "laboratory result"
	}
	return "other paper"
}

func (w *writer) chain() ([]Block, string) {
	return []Block{Facts{List: []Fact{
		fact("Written out", plain(w.at(w.Now)+" ("+w.zone()+")")), fact("For", plain(w.By)),
		fact("Chain of records", plain(fmt.Sprintf("link %d", w.ChainN))), fact("Its hash", Cell{{Text: w.ChainSum}, {Text: "SHA-256", Look: Quiet}}),
		fact("What that is for", Cell{{Text: "Each change of the book adds a link to this chain. A book that still gives this hash for this link has not been rewritten since.", Look: Quiet}}),
	}}}, ""
}
