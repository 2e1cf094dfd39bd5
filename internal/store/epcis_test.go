package store_test

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/epcis/epcistest"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

var epcisAt = time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)

// epcisTold writes a document twice: it is sound, and the same each time.
func epcisTold(t *testing.T, write func(*bytes.Buffer) error) []map[string]any {
	t.Helper()
	var one, two bytes.Buffer
	if err := write(&one); err != nil {
		t.Fatal(err)
	}
	if err := write(&two); err != nil {
		t.Fatal(err)
	}
	if one.String() != two.String() {
		t.Errorf("two documents of one book differ:\n%s", cmp.Diff(one.String(), two.String()))
	}
	doc, faults := epcistest.Check(one.Bytes())
	if len(faults) > 0 {
		t.Errorf("%s\n%s", strings.Join(faults, "\n"), one.String())
	}
	for _, personal := range []string{"Alder House", "alder", "Mara", "quillmoor"} {
		if strings.Contains(one.String(), personal) {
			t.Errorf("%q stands in the document", personal)
		}
	}
	return doc.Events
}

// epcisSays is each event in a few words, in order: what, how many, what became of it.
func epcisSays(events []map[string]any) []string {
	var list []string
	for _, e := range events {
		words := []string{strings.TrimSuffix(e["type"].(string), "Event")}
		for _, name := range []string{"action", "bizStep"} {
			if word, there := e[name].(string); there && word != "commissioning" {
				words = append(words, word)
			}
		}
		for _, side := range []string{"quantityList", "inputQuantityList", "outputQuantityList"} {
			quantities, _ := e[side].([]any)
			for _, q := range quantities {
				if n := q.(map[string]any)["quantity"]; n != nil {
					words = append(words, strings.TrimSuffix(side, "QuantityList"), fmt.Sprint(n))
				}
			}
		}
		if d, wrong := e["errorDeclaration"].(map[string]any); wrong {
			words = append(words, fmt.Sprint(d["reason"]))
		}
		list = append(list, strings.Join(words, " "))
	}
	return list
}

func TestACorrectedWeighingIsDeclaredWrongBesideTheRightOne(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx, code := t.Context(), h.begun()
	h.ok(h.wax(code, "240"))
	wrong := h.line(code, "Melt", "Beeswax").Inputs[0].ID
	h.ok(h.CorrectInput(ctx, h.helper, store.Entry{}, store.Correction{Batch: code, Input: wrong, Grams: benchDec("239.5"), Reason: "misread"}))
	right := h.line(code, "Melt", "Beeswax").Inputs[1].ID
	h.ok(h.NoteClimate(ctx, h.helper, store.Entry{}, code, store.Climate{Stage: "making", TemperatureC: benchMaybe("19.5"), HumidityPct: benchMaybe("52"), Source: "typed"}))
	events := epcisTold(t, func(out *bytes.Buffer) error {
		return h.EPCISOf(ctx, h.owner.Workshop, store.TraceStart{Kind: "batch", Code: strings.ToLower(code)}, epcisAt, out)
	})
	urn := func(id store.InputID) string { return "urn:uuid:" + store.Text(id) }
	found := map[string]map[string]any{}
	for _, e := range events {
		found[e["eventID"].(string)] = e
	}
	d, _ := found[urn(wrong)]["errorDeclaration"].(map[string]any)
	if d["reason"] != "incorrect_data" || fmt.Sprint(d["correctiveEventIDs"]) != "["+urn(right)+"]" || found[urn(right)] == nil || found[urn(right)]["errorDeclaration"] != nil {
		t.Errorf("declared %v; %v", d, found[urn(right)])
	}
	if found[urn(wrong)]["transformationID"] != found[urn(right)]["transformationID"] {
		t.Error("the two belong to one making")
	}
	// The lot's own document tells the same two, and what was withdrawn since.
	h.ok(h.CorrectInput(ctx, h.helper, store.Entry{}, store.Correction{Batch: code, Input: right, Withdraw: true, Reason: "was never weighed"}))
	events = epcisTold(t, func(out *bytes.Buffer) error {
		return h.EPCISOf(ctx, h.owner.Workshop, store.TraceStart{Kind: "lot", Code: "BW-1"}, epcisAt, out)
	})
	says := epcisSays(events)
	want := []string{"Object ADD receiving quantityList 5000", "Transformation input 239.5 did_not_occur", "Transformation input 240 incorrect_data"}
	slices.Sort(says)
	if diff := cmp.Diff(want, says); diff != "" {
		t.Errorf("of the lot (-want +got):\n%s", diff)
	}
}

// A lot goes into a premix, that into a batch, its units to a shop and back: told of the lot, of the batch, of a recall and of
// some days, each with its own part.
func TestADocumentTellsWhatBelongsToIt(t *testing.T) {
	t.Parallel()
	ctx, h := context.Background(), newUnitsShop(t)
	oil := h.book.Lot("OO-1", h.book.Material("OO", "Oat oil"), 5000)
	premix := h.book.Batch("PX-1", "PX1", h.soap, "2026-02-01", 7, "released", "2027-02-01")
	bars := h.book.Batch("SB-1", "SB1", h.soap, "2026-02-03", 40, "released", "2027-02-03")
	h.book.Batch("SB-9", "SB9", h.soap, "2026-02-03", 5, "released", "")
	h.book.Draw(premix.Batch, oil, 1000)
	h.book.DrawBatch(bars.Batch, premix.Batch, 400)
	alder := h.customer("Alder House")
	sent := h.send(alder, store.DispatchLine{Packing: "SB-1", Units: 25})
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	ok(h.CorrectDispatch(ctx, h.owner, store.Entry{}, store.LineCorrection{Dispatch: sent, Packing: "SB-1", Units: 24, Reason: "counted again"}))
	_, err := h.Return(ctx, h.owner, store.Entry{}, store.NewReturn{Dispatch: sent, Packing: "SB-1", On: h.today, Units: 3, Disposition: "destroy", Note: "crushed"})
	ok(err)
	_, err = h.MoveUnits(ctx, h.owner, store.Entry{}, store.UnitMove{Packing: "SB-1", On: h.today, Reason: "gift", Units: 2, Note: "fair"})
	ok(err)
	h.send(alder, store.DispatchLine{Packing: "PX-1", Units: 1})

	told := func(name string, want []string, write func(*bytes.Buffer) error) {
		t.Helper()
		if diff := cmp.Diff(want, epcisSays(epcisTold(t, write))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
	received, drawn, premixed := "Object ADD receiving quantityList 5000", "Transformation input 1000", "Transformation input 400"
	traded := []string{"Object OBSERVE shipping quantityList 24", "Object OBSERVE shipping quantityList 25 incorrect_data", "Object OBSERVE receiving quantityList 3", "Object DELETE destroying quantityList 3", "Object DELETE other quantityList 2"}
	inOrder := func(events ...string) []string { return slices.Concat(events[:len(events):len(events)], traded) }
	of := func(kind, code string) func(*bytes.Buffer) error {
		return func(out *bytes.Buffer) error {
			return h.EPCISOf(ctx, h.owner.Workshop, store.TraceStart{Kind: kind, Code: code}, epcisAt, out)
		}
	}
	// Shipping of one day comes by id, the older line first.
	traded[0], traded[1] = traded[1], traded[0]
	told("the batch", inOrder(received, drawn, "Transformation", premixed, "Transformation", "Transformation output 40"), of("batch", "SB-1"))
	traded = slices.Insert(traded, 2, "Object OBSERVE shipping quantityList 1")
	lot := inOrder(received, drawn, "Transformation", "Transformation output 7", premixed, "Transformation", "Transformation output 40")
	told("the lot", lot, of("lot", "OO-1"))
	n, err := h.OpenRecall(ctx, h.owner, store.Entry{}, store.NewRecall{From: []store.TraceStart{{Kind: "lot", Code: "OO-1"}}, Level: "consumer", Title: "Rash after use", Reason: "Three customers report a rash."})
	ok(err)
	var number int
	if _, err := fmt.Sscan(n, &number); err != nil {
		t.Fatalf("recall %q: %v", n, err)
	}
	told("the recall", lot, func(out *bytes.Buffer) error { return h.EPCISOfRecall(ctx, h.owner.Workshop, number, epcisAt, out) })

	// Page by page of the days of making: as many as are asked for, none twice, and the stranger too.
	var pages []string
	for token, more := "", true; more; more = token != "" {
		days := store.EPCISDays{From: day.Must("2026-02-01"), To: day.Must("2026-02-03"), PerPage: 2, Token: token}
		events := epcisTold(t, func(out *bytes.Buffer) (err error) {
			token, err = h.EPCISPage(ctx, h.owner.Workshop, days, epcisAt, out)
			return err
		})
		if len(events) > 2 {
			t.Fatalf("%d events on a page of 2", len(events))
		}
		pages = append(pages, epcisSays(events)...)
	}
	if diff := cmp.Diff([]string{drawn, "Transformation", "Transformation output 7", premixed, "Transformation", "Transformation", "Transformation output 40", "Transformation output 5"}, pages); diff != "" {
		t.Errorf("the days (-want +got):\n%s", diff)
	}
	if err := of("batch", "NO-1")(new(bytes.Buffer)); !fault.Is(err, fault.NotFound) {
		t.Errorf("a batch that is not there: %v", err)
	}
	for _, token := range []string{"?", "MjAyNi0wMi0wMQ", "MjAyNi0wMi0wMSA5OSAwMTk3ZjNhMC0wMDAwLTcwMDAtODAwMC0wMDAwMDAwMDAwMDE"} {
		_, err := h.EPCISPage(ctx, h.owner.Workshop, store.EPCISDays{PerPage: 2, Token: token}, epcisAt, new(bytes.Buffer))
		if fault.As(err).Of(store.FieldNextPageToken) == "" {
			t.Errorf("token %q: %v", token, err)
		}
	}
}
