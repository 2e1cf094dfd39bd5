package ui_test

import (
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
	"github.com/a-h/templ"
	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/web/ui"
)

func pages() map[string]templ.Component {
	return map[string]templ.Component{
		"a batch":           batchPage(),
		"a form refused":    lotPage(),
		"a weighing":        weighPage("key", "803.2", ""),
		"a weighing, wrong": weighPage("key", "8o3", "write it like 1234.5"),
		"before signing in": signInPage(),
	}
}

func eachPage(t *testing.T, check func(t *testing.T, doc *goquery.Document)) {
	t.Helper()
	for name, page := range pages() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			check(t, document(t, page))
		})
	}
}

func TestNothingRunsOrIsPaintedFromWithinAPage(t *testing.T) {
	t.Parallel()
	eachPage(t, func(t *testing.T, doc *goquery.Document) {
		doc.Find("*").Each(func(_ int, s *goquery.Selection) {
			for _, a := range s.Nodes[0].Attr {
				if a.Key == "style" || strings.HasPrefix(a.Key, "on") {
					t.Errorf("<%s %s=%q>", s.Nodes[0].Data, a.Key, a.Val)
				}
			}
		})
		if n := doc.Find("style").Length(); n > 0 {
			t.Errorf("%d <style>", n)
		}
		doc.Find("script").Each(func(_ int, s *goquery.Selection) {
			if s.AttrOr("src", "") == "" || s.AttrOr("type", "") != "module" || s.Text() != "" {
				t.Error("a script that is no module of its own")
			}
		})
	})
}

func TestEachPageHasOneHeadingOneMainOneVoiceAndUniqueIDs(t *testing.T) {
	t.Parallel()
	eachPage(t, func(t *testing.T, doc *goquery.Document) {
		for _, one := range []string{"h1", "main#main", "[role=status]", "title", "html[lang=en]", "a.skip[href='#main']", "meta[name=viewport]"} {
			if n := doc.Find(one).Length(); n != 1 {
				t.Errorf("%d times %s", n, one)
			}
		}
		seen := map[string]bool{}
		doc.Find("[id]").Each(func(_ int, s *goquery.Selection) {
			id := s.AttrOr("id", "")
			if seen[id] {
				t.Errorf("the id %q stands twice", id)
			}
			seen[id] = true
		})
		doc.Find("[aria-describedby], [aria-labelledby], label[for], input[list]").Each(func(_ int, s *goquery.Selection) {
			for _, name := range []string{"aria-describedby", "aria-labelledby", "for", "list"} {
				for id := range strings.FieldsSeq(s.AttrOr(name, "")) {
					if !seen[id] {
						t.Errorf("%s=%q leads nowhere", name, id)
					}
				}
			}
		})
	})
}

func TestEachBoxHasALabelOfItsOwn(t *testing.T) {
	t.Parallel()
	eachPage(t, func(t *testing.T, doc *goquery.Document) {
		boxes := doc.Find("input:not([type=hidden]), select, textarea")
		if boxes.Length() == 0 {
			t.Fatal("no boxes on this page")
		}
		boxes.Each(func(_ int, s *goquery.Selection) {
			id := s.AttrOr("id", "")
			if n := doc.Find("label[for='" + id + "']").Length(); id == "" || n != 1 {
				t.Errorf("box %q (id %q) has %d labels", s.AttrOr("name", ""), id, n)
			}
			if s.AttrOr("type", "") == "number" {
				t.Errorf("box %q is type=number", s.AttrOr("name", ""))
			}
		})
	})
}

func TestWhatIsOffIsSaidOnTopAndBesideInTheSameWords(t *testing.T) {
	t.Parallel()
	doc := document(t, lotPage())
	summary := doc.Find("main .summary")
	if got := summary.AttrOr("role", "") + summary.AttrOr("tabindex", ""); got != "alert-1" {
		t.Errorf("role and tabindex are %q", got)
	}
	if _, ok := summary.Attr("autofocus"); !ok {
		t.Error("the summary does not ask for the focus")
	}
	if got := doc.Find("title").Text(); !strings.HasPrefix(got, "Error: Receive a lot") {
		t.Errorf("the title is %q", got)
	}
	faults := lotFault().Fields
	links := summary.Find("li a")
	if links.Length() != len(faults) {
		t.Fatalf("%d links for %d faults", links.Length(), len(faults))
	}
	for i, f := range faults {
		link := links.Eq(i)
		box := doc.Find("input" + link.AttrOr("href", ""))
		if box.AttrOr("name", "") != f.Name || box.AttrOr("aria-invalid", "") != "true" {
			t.Errorf("%s: its link leads to %q", f.Name, box.AttrOr("name", ""))
		}
		describer := box
		if box.AttrOr("type", "") == "radio" {
			describer = box.Closest("fieldset")
		}
		var said []string
		for id := range strings.FieldsSeq(describer.AttrOr("aria-describedby", "")) {
			said = append(said, doc.Find("#"+id).Text())
		}
		if diff := cmp.Diff(f.Message, said[len(said)-1]); diff != "" || link.Text() != f.Message {
			t.Errorf("%s: on top %q, beside: %s", f.Name, link.Text(), diff)
		}
	}
	if n := document(t, ui.ErrorSummary(nil, nil)).Find("*").Length(); n != 3 { // html, head, body
		t.Errorf("without a fault the summary has %d elements", n)
	}
	general := document(t, ui.ErrorSummary(fault.New(fault.Conflict, "Somebody else was first."), nil))
	if got := general.Find(".summary p").Text(); got != "Somebody else was first." {
		t.Errorf("the general message is %q", got)
	}
}

func TestEachKindOfFieldAsksForTheRightKeyboardAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	for kind, want := range map[string]map[string]string{
		"":               {"type": "text", "value": `a "b" <c>`},
		"text":           {"type": "text", "value": `a "b" <c>`},
		"decimal":        {"type": "text", "inputmode": "decimal", "autocomplete": "off", "value": `a "b" <c>`},
		"number-whole":   {"type": "text", "inputmode": "numeric", "autocomplete": "off", "value": `a "b" <c>`},
		"date":           {"type": "date", "value": `a "b" <c>`},
		"time":           {"type": "time", "value": `a "b" <c>`},
		"datetime-local": {"type": "datetime-local", "value": `a "b" <c>`},
		"email":          {"type": "email", "value": `a "b" <c>`},
		"tel":            {"type": "tel", "value": `a "b" <c>`},
		"password":       {"type": "password"},
		"file":           {"type": "file"},
	} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			box := document(t, ui.Input(ui.Field{Name: "x", Label: "X", Type: kind, Value: `a "b" <c>`})).Find("input#f-x")
			got := map[string]string{}
			for _, name := range []string{"type", "inputmode", "autocomplete", "value"} {
				if v, ok := box.Attr(name); ok {
					got[name] = v
				}
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
	if got := document(t, ui.Input(ui.Field{Name: "x", Label: "X", Type: "textarea", Value: "a\n<b>"})).Find("textarea").Text(); got != "a\n<b>" {
		t.Errorf("the text area keeps %q", got)
	}
}

func TestAChoiceShowsWhatWasChosen(t *testing.T) {
	t.Parallel()
	options := []ui.Option{{Value: "a", Label: "A"}, {Value: "b", Label: "B"}, {Value: "c", Label: "C", Disabled: true}}
	field := ui.Field{Name: "x", Label: "X", Value: "b"}
	radios := document(t, ui.Radios(field, options))
	selected := document(t, ui.Select(field, options))
	ticked := document(t, ui.Checkbox(field, true))
	for what, got := range map[string]string{
		"radio":            radios.Find("input[checked]").AttrOr("value", ""),
		"the list":         selected.Find("option[selected]").AttrOr("value", ""),
		"checkbox":         ticked.Find("input[checked]").AttrOr("value", ""),
		"legend":           strings.TrimSpace(radios.Find("fieldset > legend").Text()),
		"first radio":      radios.Find("#f-x").AttrOr("value", ""),
		"disabled radio":   radios.Find("input[disabled]").AttrOr("value", ""),
		"disabled option":  selected.Find("option[disabled]").AttrOr("value", ""),
		"a stale checkbox": document(t, ui.Checkbox(field, false)).Find("input[checked]").AttrOr("value", ""),
	} {
		want := map[string]string{"radio": "b", "the list": "b", "checkbox": "on", "legend": "X", "first radio": "a",
			"disabled radio": "c", "disabled option": "c"}[what]
		if got != want {
			t.Errorf("%s: got %q, want %q", what, got, want)
		}
	}
}

func TestTheHeaderKnowsWhoIsThere(t *testing.T) {
	t.Parallel()
	links := func(p ui.Page) (words []string, current string) {
		doc := document(t, ui.Layout(p))
		doc.Find("nav.areas a").Each(func(_ int, s *goquery.Selection) { words = append(words, s.Text()) })
		return words, doc.Find("nav.areas a[aria-current=page]").AttrOr("href", "")
	}
	all := []string{"Today", "Batches", "Materials", "Formulas", "Stock", "Dispatches", "Trace", "Log", "Settings"}
	for name, tc := range map[string]struct {
		page    ui.Page
		want    []string
		current string
	}{
		"owner":           {ui.Page{Signed: true, Role: "owner", Area: "stock"}, all, "/stock"},
		"maker":           {ui.Page{Signed: true, Role: "maker", Area: "today"}, all[:8], "/"},
		"owner, at bench": {ui.Page{Signed: true, Role: "owner", Bench: true, Area: "batches"}, all, "/batches"},
		"a product":       {ui.Page{Signed: true, Role: "owner", Area: "products"}, all, "/formulas"},
		"a customer":      {ui.Page{Signed: true, Role: "owner", Area: "customers"}, all, "/dispatches"},
		"equipment":       {ui.Page{Signed: true, Role: "owner", Area: "equipment"}, all, "/log"},
		"nobody":          {ui.Page{Role: "owner", Area: "stock"}, nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, current := links(tc.page)
			if diff := cmp.Diff(tc.want, got); diff != "" || current != tc.current {
				t.Errorf("current is %q; %s", current, diff)
			}
		})
	}
	signed := document(t, ui.Layout(ui.Page{Signed: true, Person: "Mara T.", Query: `"oat"`, Workshop: "Quillmoor Workshop", Title: "Stock"}))
	if got := signed.Find("form.find[action='/find'][method=get] input[name=q]").AttrOr("value", ""); got != `"oat"` {
		t.Errorf("the search box holds %q", got)
	}
	if n := signed.Find("form[method=post][action='/sign-out'] button").Length(); n != 1 {
		t.Errorf("%d ways to sign out", n)
	}
	if got := signed.Find("title").Text(); got != "Stock · Quillmoor Workshop" {
		t.Errorf("the title is %q", got)
	}
	if n := document(t, signInPage()).Find("form.find, .who, nav, [data-person]").Length(); n != 0 {
		t.Errorf("before signing in %d parts of the header show", n)
	}
}

func TestAnEntryOfOnePersonIsNotTakenForAnothersOfTheSameName(t *testing.T) {
	t.Parallel()
	person := func(p ui.Page) string {
		p.Signed = true
		return document(t, ui.Layout(p)).Find("body").AttrOr("data-person", "")
	}
	a := person(ui.Page{Workshop: "W", Person: "Jo", PersonID: "1"})
	b := person(ui.Page{Workshop: "W", Person: "Jo", PersonID: "2"})
	c, d := person(ui.Page{Workshop: "W", Person: "Jo"}), person(ui.Page{Workshop: "V", Person: "Jo"})
	if a == b || c == d || a == "" || c == "" {
		t.Errorf("identities %q, %q, %q, %q", a, b, c, d)
	}
}

func TestPartsSayInWordsWhatTheyShow(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		part     templ.Component
		selector string
		want     string
	}{
		"batch tag":           {ui.BatchTag("OB-26305-01S", "/batches/OB-26305-01S"), "a.tag:not(.lot)[href='/batches/OB-26305-01S']", "OB-26305-01S"},
		"tag without a link":  {ui.LotTag("OO-0042", ""), "span.tag.lot", "OO-0042"},
		"a link is no script": {ui.BatchTag("X", "javascript:alert(1)"), "a.tag:not([href^=javascript])", ""},
		"big batch tag":       {ui.BigBatchTag("OB-26305-01S"), "span.tag.big:not(.lot)", "OB-26305-01S"},
		"big lot tag":         {ui.BigLotTag("OO-0042"), "span.tag.big.lot", "OO-0042"},
		"state":               {ui.State("care", "on hold"), ".state.care", "on hold"},
		"where it stands":     {ui.Life([]ui.Cell{{Title: "Made"}, {Title: "Packed", Detail: "46", Now: true}}), "ol.life li.now[aria-current=step] b", "Packed"},
		"a changed value":     {ui.Changed("650.0", "560.0 g"), "s", "was 650.0"},
		"a term":              {with(ui.Facts(), ui.FactText("Good", "46")), "dl.facts dt + dd", "46"},
		"nothing yet":         {ui.Empty("No lots yet.", "/lots/new", "Receive one"), ".empty a.button", "Receive one"},
		"a step done": {ui.Steps([]ui.StepGroup{{Title: "Melt", Steps: []ui.Step{{Href: "/1", Name: "Shea", Word: "done", Detail: "Mara T., 10:42"}}}}),
			"ol .quiet", "done, Mara T., 10:42"},
		"entry key": {ui.EntryKey("k-1"), "input[type=hidden][name=entry_key][value=k-1]", ""},
		"no pager":  {ui.Pager(ui.Pages{}), "body:not(:has(nav))", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			found := document(t, tc.part).Find(tc.selector)
			if found.Length() != 1 {
				t.Fatalf("%d times %s in %s", found.Length(), tc.selector, rendered(t, tc.part))
			}
			if got := strings.TrimSpace(found.Text()); tc.want != "" && got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

func TestStoredTextIsInertWhereverItStands(t *testing.T) {
	t.Parallel()
	const evil = `"><script>alert(1)</script>`
	f := ui.Field{Name: "x", Label: evil, Value: evil, Hint: evil, Error: evil, Unit: evil, Placeholder: evil, List: []string{evil}}
	o := []ui.Option{{Value: evil, Label: evil, Hint: evil}}
	for name, part := range map[string]templ.Component{
		"input": ui.Input(f), "select": ui.Select(f, o), "radios": ui.Radios(f, o), "checkbox": ui.Checkbox(f, true), "entry": ui.Entry(f, evil),
		"tag": ui.BatchTag(evil, "/"+evil), "state": ui.State(evil, evil), "life": ui.Life([]ui.Cell{{Title: evil, Detail: evil}}),
		"head": ui.Head(evil, evil), "note": ui.Note(evil), "summary": ui.ErrorSummary(fault.In(evil, evil), map[string]string{evil: evil}),
		"empty": ui.Empty(evil, "/"+evil, evil), "changed": ui.Changed(evil, evil), "key": ui.EntryKey(evil),
		"steps":  ui.Steps([]ui.StepGroup{{Title: evil, Steps: []ui.Step{{Href: evil, Name: evil, Amount: evil, Detail: evil, Kind: evil, Word: evil}}}}),
		"layout": with(ui.Layout(ui.Page{Title: evil, Workshop: evil, Person: evil, Flash: evil, Query: evil, Signed: true, PersonID: evil})),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if n := document(t, part).Find("script:not([src])").Length(); n > 0 {
				t.Errorf("%d scripts: %s", n, rendered(t, part))
			}
		})
	}
}
