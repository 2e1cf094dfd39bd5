package ui_test

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/web/ui"
)

// with puts children into a component, as the @component { … } of a .templ file does.
func with(parent templ.Component, children ...templ.Component) templ.Component {
	return templ.ComponentFunc(func(ctx context.Context, w io.Writer) error {
		return parent.Render(templ.WithChildren(ctx, templ.Join(children...)), w)
	})
}

func words(s string) templ.Component { return templ.Raw(s) }

func form(attributes string, children ...templ.Component) templ.Component {
	inner := append([]templ.Component{words(`<form method="post" ` + attributes + `>`)}, children...)
	return templ.Join(append(inner, words(`</form>`))...)
}

func rendered(t *testing.T, c templ.Component) string {
	t.Helper()
	var b strings.Builder
	if err := c.Render(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func document(t *testing.T, c templ.Component) *goquery.Document {
	t.Helper()
	doc, err := goquery.NewDocumentFromReader(strings.NewReader(rendered(t, c)))
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

func signedIn(title, area string) ui.Page {
	return ui.Page{Title: title, Area: area, Workshop: "Quillmoor Workshop", Person: "Mara T.", Role: "owner", Signed: true}
}

// batchPage has every part that is no form.
func batchPage() templ.Component {
	p := signedIn("OB-26305-01S", "batches")
	p.Flash = "Saved: humidity 63 % on 2 Nov decided."
	return with(ui.Layout(p),
		with(ui.TaggedHead(ui.BigBatchTag("OB-26305-01S"), "Oat balm, 50 g tin", "made 1 Nov 2026 by Mara T., formula 4"),
			words(`<span class="button" aria-disabled="true">Release: 2 conditions open</span>`),
			ui.Button("/batches/OB-26305-01S/record", "Print record", "second")),
		ui.Life([]ui.Cell{
			{Title: "Made", Detail: "1 Nov, 21.4 °C, 48 %"}, {Title: "Set", Detail: "1 to 3 Nov, 48 h"},
			{Title: "Packed", Detail: "3 Nov, 46 good"}, {Title: "In quarantine", Detail: "2 conditions open", Now: true},
			{Title: "Released", Detail: "not yet"},
		}),
		with(ui.Note("care"), words(`<p><b>One deviation waits for a decision.</b> Room reached 63 % humidity on 2 Nov, 19:10
			to 21:40; the formula allows 60 %. <a href="/deviations/7">Decide</a></p>`)),
		ui.Subnav("Batch", []ui.Link{{Href: "/a", Words: "Record", Current: true}, {Href: "/b", Words: "Trace"}, {Href: "/c", Words: "Changes"}}),
		words(`<div class="cols">`),
		with(ui.Sheet("Best before"),
			ui.Answer("30 Apr 2027"),
			words(`<p>18 months from making would be 1 May 2028; cut to the earliest expiry among its lots, `),
			ui.LotTag("OO-0042", "/lots/OO-0042"),
			words(`</p><h2>Yield</h2>`),
			with(ui.Facts(),
				ui.FactText("Theoretical", "48.9 tins (2 563.6 g weighed, 2 445 g after loss, 50 g each)"),
				with(ui.Fact("Good"), words(`<b>46</b> (94.1 %)`)),
				ui.FactText("Rejected", "1 sunken top, 1 light (46.1 g)"),
				ui.FactText("Unexplained", "0.9 % of mass, limit 2 %"))),
		with(ui.Sheet(""), with(ui.Scroll("What went in"), words(`<table><caption>What went in</caption><thead><tr><th scope="col">Material</th>
			<th scope="col">Lot</th><th scope="col" class="n">Target</th><th scope="col" class="n">Weighed</th></tr></thead><tbody><tr><td>Shea butter</td><td>`),
			ui.LotTag("SB-0098", "/lots/SB-0098"), words(`</td><td class="n">1 200.0 g</td><td class="n">1 200.4 g</td></tr><tr><td>Oat oil</td><td>`),
			ui.LotTag("OO-0042", "/lots/OO-0042"), words(`</td><td class="n">560.0 g</td><td class="n">`),
			ui.Changed("650.0", "560.0 g"), words(`</td></tr></tbody></table>`))),
		words(`</div>`),
		with(ui.Sheet(""), words(`<table class="stack"><caption>Who holds what</caption><thead><tr><th scope="col">Customer</th><th scope="col">Kind</th>
			<th scope="col">State</th><th scope="col" class="n">Units</th><th scope="col">Batches</th></tr></thead><tbody><tr>
			<td data-label="Customer"><a href="/customers/1">Harbour Street Pantry</a></td><td data-label="Kind">stockist</td><td data-label="State">`),
			ui.State("good", "written to"), words(`</td><td class="n" data-label="Units">120</td><td data-label="Batches"><span>`),
			ui.BatchTag("OB-26101-01D", "/batches/OB-26101-01D"), words(` `), ui.BatchTag("OB-26214-02D", "/batches/OB-26214-02D"),
			words(`</span></td></tr><tr><td data-label="Customer"><a href="/customers/2">Sedgebank summer fair</a></td><td data-label="Kind">event</td><td data-label="State">`),
			ui.State("care", "public notice"), words(`</td><td class="n" data-label="Units">64</td><td data-label="Batches">`),
			ui.BatchTag("OB-26101-01D", ""), words(`</td></tr></tbody></table><p>`),
			ui.State("good", "released"), words(` `), ui.State("care", "on hold"), words(` `), ui.State("stop", "rejected"), words(` `), ui.State("wait", "quarantined"), words(`</p>`)),
		ui.Pager(ui.Pages{First: "/batches", Next: "/batches?after=OB-26101-01D"}),
		ui.Empty("No complaints about this batch.", "/complaints/new", "Write one down"),
		with(ui.Confirm("Reject this batch"), form(`action="/reject"`, ui.Input(ui.Field{Name: "reason", Label: "Why", Required: true}), with(ui.Actions(), ui.Submit("Reject OB-26305-01S")))),
	)
}

// lotFault is what the lot form was refused for.
func lotFault() *fault.Fault {
	var f fault.Fields
	f.Add("amount", "write a number")
	f.Add("kind", "choose what the date means")
	f.Add("coa", "this file is empty")
	return fault.As(f.Err())
}

// lotPage has every kind of field, three of them refused.
func lotPage() templ.Component {
	p := signedIn("Receive a lot", "materials")
	p.Failed = true
	f := lotFault()
	return with(ui.Layout(p),
		ui.ErrorSummary(f, map[string]string{"amount": "Amount", "kind": "The date on the label", "coa": "Certificate of analysis"}),
		with(ui.Head("Receive a lot", "Oat oil, from Fenmarch Oils")),
		form(`action="/lots" novalidate`,
			ui.EntryKey("0f9a2c1e-0000-4000-8000-000000000001"),
			ui.Select(ui.Field{Name: "material", Label: "Material", Value: "oat-oil", Placeholder: "Choose a material", Required: true},
				[]ui.Option{{Value: "shea", Label: "Shea butter"}, {Value: "oat-oil", Label: "Oat oil", Hint: "OO"}}),
			ui.Input(ui.Field{Name: "supplier_lot", Label: "Supplier's lot number", Hint: "As printed on the drum.", Value: `7731-"B"`, List: []string{"7731-A"}, Max: 40}),
			ui.Input(ui.Field{Name: "amount", Label: "Amount", Type: "decimal", Unit: "g", Hint: "As weighed, or as on the delivery note.", Error: f.Of("amount"), Required: true}),
			ui.Input(ui.Field{Name: "drums", Label: "Drums", Type: "number-whole", Value: "2"}),
			ui.Input(ui.Field{Name: "date", Label: "Date on the label", Type: "date", Value: "2027-04-30"}),
			ui.Input(ui.Field{Name: "received", Label: "Received", Type: "datetime-local", Value: "2026-03-12T09:30"}),
			ui.Input(ui.Field{Name: "delivered", Label: "Time of delivery", Type: "time"}),
			ui.Radios(ui.Field{Name: "kind", Label: "The date on the label", Hint: "Oils often carry both.", Error: f.Of("kind")},
				[]ui.Option{{Value: "expiry", Label: "Expiry", Hint: "not to be used after it"}, {Value: "retest", Label: "Retest", Hint: "to be tested again by then"}, {Value: "none", Label: "No date", Disabled: true}}),
			ui.Checkbox(ui.Field{Name: "opened", Label: "Already opened", Hint: "Opened lots are offered first."}, true),
			ui.Input(ui.Field{Name: "coa", Label: "Certificate of analysis", Type: "file", Accept: ".pdf,image/*", Optional: true, Error: f.Of("coa")}),
			with(ui.Fieldset("Who brought it"),
				ui.Input(ui.Field{Name: "email", Label: "E-mail", Type: "email", Autocomplete: "email"}),
				ui.Input(ui.Field{Name: "phone", Label: "Telephone", Type: "tel"}),
				ui.Input(ui.Field{Name: "no", Label: "Lot number here", Value: "OO-0042", Readonly: true}),
				ui.Input(ui.Field{Name: "password", Label: "Your password", Type: "password", Value: "never shown", Autocomplete: "current-password"}),
				ui.Input(ui.Field{Name: "note", Label: "Note", Type: "textarea", Value: "Two drums,\none dented.", Optional: true, Max: 2000})),
			with(ui.Actions(), ui.Submit("Record the lot"), ui.Button("/materials", "Leave it", "second"))),
	)
}

// weighPage is one weighing; key is the entry key, message what was refused, value what was typed.
func weighPage(key, value, message string) templ.Component {
	return weighPageOf("1", key, value, message)
}

func weighPageOf(person, key, value, message string) templ.Component {
	p := signedIn("Weigh cocoa butter", "batches")
	p.PersonID = person
	p.Failed = message != ""
	var summary templ.Component = templ.NopComponent
	if message != "" {
		summary = ui.ErrorSummary(fault.In("weight", message), nil)
	}
	list := ui.Steps([]ui.StepGroup{
		{Title: "Melt", Steps: []ui.Step{
			{Href: "/batches/1/steps/1", Name: "Shea butter", Amount: "1 200.4 g", Kind: "good", Word: "done", Detail: "Mara T., 10:42"},
			{Href: "/batches/1/steps/2", Name: "Cocoa butter", Amount: "800.0 g", Kind: "wait", Word: "now", Now: true},
			{Href: "/batches/1/steps/3", Name: "Beeswax", Amount: "400.0 g", Kind: "wait", Word: "to do"},
		}},
		{Title: "Cool below 45 °C", Steps: []ui.Step{
			{Href: "/batches/1/steps/4", Name: "Oat oil", Amount: "560.0 g", Kind: "care", Word: "lot in quarantine"},
			{Href: "/batches/1/steps/5", Name: "Tocopherol", Amount: "15.0 g", Kind: "wait", Word: "to do"},
		}},
	})
	return with(ui.BenchLayout(p, list),
		summary,
		words(`<p class="quiet">`), ui.BatchTag("OB-26329-04W", ""), words(` Oat balm, 48 tins · step 2 of 11</p>`),
		with(ui.Weigh(),
			words(`<h1>Weigh cocoa butter</h1>`),
			ui.Target("800.0", "g"),
			words(`<p>from `), ui.LotTag("CB-0117", "/lots/CB-0117"), words(` holds 3 410 g, expires 30 Jun 2027</p>`),
			form(`action="/weighings" novalidate data-outbox data-batch="OB-26329-04W" data-what="Cocoa butter"`,
				ui.EntryKey(key), ui.DeviceTime(),
				ui.Entry(ui.Field{Name: "weight", Label: "Weighed", Type: "decimal", Unit: "g", Value: value, Error: message, Required: true, Autofocus: true, Max: 20}, "Record")),
			words(`<p>`), ui.State("good", "Within tolerance"), words(` 3.2 g over, 0.4 %; 1 % allowed</p>`)),
		words(`<p class="quiet">Saved a moment ago: shea butter 1 200.4 g from `), ui.LotTag("SB-0098", ""), words(` <a href="/undo">mis-tap?</a></p>
			<p class="apart actions"><a class="button second" href="/off">Something is off</a> <a class="button second" href="/second">Add from a second lot</a></p>`),
	)
}

func signInPage() templ.Component {
	return with(ui.Layout(ui.Page{Title: "Sign in"}), with(ui.Head("Sign in", "")),
		form(`action="/sign-in"`, ui.Input(ui.Field{Name: "email", Label: "E-mail", Type: "email", Autofocus: true}), with(ui.Actions(), ui.Submit("Sign in"))))
}

// write answers with a page, as the program does: no inline script or style can run under this policy.
func write(w http.ResponseWriter, r *http.Request, status int, c templ.Component) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "+
		"font-src 'self'; connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	w.WriteHeader(status)
	_ = c.Render(r.Context(), w) // the browser may have gone; the test sees the page
}
