package epcis_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/epcis"
	"example.org/stillroom/internal/epcis/epcistest"
)

func id(n byte) uuid.UUID {
	u := uuid.MustParse("0197f3a0-0000-7000-8000-000000000000")
	u[15] = n
	return u
}

func some(text string) decimal.NullDecimal {
	return decimal.NewNullDecimal(decimal.RequireFromString(text))
}

func site(t *testing.T) epcis.Site {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	return epcis.Site{Workshop: id(200), Zone: zone}
}

var (
	made    = time.Date(2026, 5, 2, 9, 30, 0, 0, time.UTC)
	written = time.Date(2026, 5, 2, 9, 31, 12, 345678000, time.UTC)
	oil     = epcis.Thing{ID: id(1), Code: "OO-0001"}
	tub     = epcis.Thing{ID: id(2), Code: "TUB-0001"}
	balm    = epcis.Thing{ID: id(3), Code: "OB-26122-01"}
	tins    = epcis.Thing{ID: id(4), Code: "OB-26122-01", GTIN: "9521234543213"}
)

// entries has one of each kind.
func entries() []epcis.Entry {
	list := []epcis.Entry{
		{Kind: epcis.Received, ID: oil.ID, Of: oil, Quantity: some("5000"), Unit: "g", Party: id(50), Lot: "FO/7731 & Co <B>", Best: "2027-01-31"},
		{Kind: epcis.Filled, ID: id(11), Of: oil, Into: tub, Quantity: some("2500.5"), Unit: "ml"},
		{Kind: epcis.LotMoved, ID: id(12), Of: oil, Quantity: some("-12.5"), Unit: "g", Reason: "write_off"},
		{Kind: epcis.Drawn, ID: id(13), Of: oil, Into: balm, Quantity: some("1000"), Unit: "g"},
		{Kind: epcis.Climate, ID: id(14), Of: balm, TempC: some("19.5"), HumidPct: some("52")},
		{Kind: epcis.Made, ID: balm.ID, Of: balm, Quantity: some("980"), Unit: "g", Best: "2027-05-02"},
		{Kind: epcis.BulkMoved, ID: id(15), Of: balm, Quantity: some("-30"), Unit: "g", Reason: "thrown_away"},
		{Kind: epcis.Packaging, ID: id(16), Of: epcis.Thing{ID: id(5), Code: "TIN-0004"}, Into: tins, Quantity: some("40"), Unit: "each"},
		{Kind: epcis.Packed, ID: tins.ID, Of: balm, Into: tins, Quantity: some("38"), Unit: "each", Best: "2027-05-02"},
		{Kind: epcis.Dispatched, ID: id(17), Of: tins, Quantity: some("25"), Unit: "each", Party: id(60), Dispatch: id(70)},
		{Kind: epcis.Returned, ID: id(18), Of: tins, Quantity: some("3"), Unit: "each", Party: id(60), Dispatch: id(70)},
		{Kind: epcis.Destroyed, ID: id(18), Of: tins, Quantity: some("3"), Unit: "each"},
		{Kind: epcis.UnitsMoved, ID: id(19), Of: tins, Quantity: some("1"), Unit: "each", Reason: "count"},
	}
	for i := range list {
		list[i].At, list[i].Recorded = made, written
	}
	return list
}

func document(t *testing.T, s epcis.Site, list ...epcis.Entry) string {
	t.Helper()
	var out bytes.Buffer
	w := epcis.NewWriter(&out, written)
	for _, e := range list {
		if err := w.Add(e.Event(s)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestEveryKindOfEntryIsASoundEvent(t *testing.T) {
	t.Parallel()
	s := site(t)
	list := entries()
	list = append(list,
		epcis.Entry{Kind: epcis.Received, ID: id(80), At: made, Recorded: written, Of: epcis.Thing{ID: id(80), Code: "W-1"}, Quantity: some("1"), Unit: "g", Lot: "W-1"},
		epcis.Entry{Kind: epcis.Made, ID: id(81), At: made, Recorded: written, Of: epcis.Thing{ID: id(81), Code: "SB-1"}},
		epcis.Entry{Kind: epcis.Climate, ID: id(82), At: made, Recorded: written, Of: epcis.Thing{ID: id(82), Code: "SB-2"}, TempC: some("-2.25")},
		epcis.Entry{Kind: epcis.Returned, ID: id(83), At: made, Recorded: written, Of: tins, Quantity: some("1"), Unit: "each"},
		epcis.Entry{Kind: epcis.Drawn, ID: id(84), At: made, Recorded: written, Of: oil, Into: balm, Quantity: some("999"), Unit: "g", Replaced: written, By: id(13)},
		epcis.Entry{Kind: epcis.Dispatched, ID: id(85), At: made, Recorded: written, Of: tins, Quantity: some("2"), Unit: "each", Party: id(60), Dispatch: id(70), Replaced: written, By: id(85)})
	doc, faults := epcistest.Check([]byte(document(t, s, list...)))
	if len(faults) > 0 || len(doc.Events) != len(list) {
		t.Errorf("%d events:\n%s", len(doc.Events), strings.Join(faults, "\n"))
	}
	if _, faults := epcistest.Check([]byte(document(t, s))); len(faults) > 0 {
		t.Errorf("without events: %v", faults)
	}
}

// A document is compared byte by byte, since two of one book must not differ.
func TestADocumentIsWrittenInOneWay(t *testing.T) {
	t.Parallel()
	const want = `{"@context":["https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"],"type":"EPCISDocument","schemaVersion":"2.0","creationDate":"2026-05-02T09:31:12.345+00:00","epcisBody":{"eventList":[
{"type":"ObjectEvent","eventID":"urn:uuid:9f9b2f4d-RECEIVED","eventTime":"2026-05-02T10:30:00.000+01:00","eventTimeZoneOffset":"+01:00","recordTime":"2026-05-02T10:31:12.345+01:00","quantityList":[{"epcClass":"urn:uuid:0197f3a0-0000-7000-8000-000000000001","quantity":5000,"uom":"GRM"}],"action":"ADD","bizStep":"receiving","disposition":"in_progress","readPoint":{"id":"PLACE"},"bizLocation":{"id":"PLACE"},"sourceList":[{"type":"possessing_party","source":"urn:uuid:0197f3a0-0000-7000-8000-000000000032"}],"destinationList":[{"type":"possessing_party","destination":"urn:uuid:0197f3a0-0000-7000-8000-0000000000c8"}],"ilmd":{"cbvmda:lotNumber":"FO/7731 & Co <B>","cbvmda:itemExpirationDate":"2027-01-31"}},
{"type":"TransformationEvent","eventID":"urn:uuid:0197f3a0-0000-7000-8000-00000000000d","eventTime":"2026-05-02T10:30:00.000+01:00","eventTimeZoneOffset":"+01:00","recordTime":"2026-05-02T10:31:12.345+01:00","errorDeclaration":{"declarationTime":"2026-05-03T10:31:12.345+01:00","reason":"incorrect_data","correctiveEventIDs":["urn:uuid:0197f3a0-0000-7000-8000-000000000058"]},"transformationID":"MAKING","inputQuantityList":[{"epcClass":"urn:uuid:0197f3a0-0000-7000-8000-000000000001","quantity":1000,"uom":"GRM"}],"bizStep":"commissioning","readPoint":{"id":"PLACE"},"bizLocation":{"id":"PLACE"}}
]}}
`
	s := site(t)
	list := entries()
	wrong := list[3]
	wrong.Replaced, wrong.By = written.AddDate(0, 0, 1), id(88)
	names := strings.NewReplacer("urn:uuid:9f9b2f4d-RECEIVED", epcis.URN(epcis.Derived(oil.ID, "received")), "PLACE", epcis.URN(epcis.Derived(s.Workshop, "place")),
		"MAKING", epcis.URN(epcis.Derived(balm.ID, "making")))
	if diff := cmp.Diff(names.Replace(want), document(t, s, list[0], wrong)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestWhatEachKindSays(t *testing.T) {
	t.Parallel()
	s := site(t)
	list := entries()
	said := func(e epcis.Entry) string {
		v := e.Event(s)
		return strings.TrimSpace(strings.Join([]string{v.Type, v.Action, v.BizStep, v.Disposition}, " "))
	}
	at := func(kind epcis.Kind) epcis.Entry { return list[kind-1] }
	with := func(e epcis.Entry, change func(*epcis.Entry)) epcis.Entry {
		change(&e)
		return e
	}
	for name, tc := range map[string]struct {
		entry epcis.Entry
		want  string
	}{
		"a delivery":            {at(epcis.Received), "ObjectEvent ADD receiving in_progress"},
		"a weighing":            {at(epcis.Drawn), "TransformationEvent  commissioning"},
		"a packing":             {at(epcis.Packed), "TransformationEvent  commissioning"},
		"the room":              {at(epcis.Climate), "ObjectEvent OBSERVE sensor_reporting"},
		"sent":                  {at(epcis.Dispatched), "ObjectEvent OBSERVE shipping in_transit"},
		"back":                  {at(epcis.Returned), "ObjectEvent OBSERVE receiving returned"},
		"back and destroyed":    {at(epcis.Destroyed), "ObjectEvent DELETE destroying destroyed"},
		"more than was counted": {at(epcis.UnitsMoved), "ObjectEvent ADD stock_taking"},
		"a gift": {with(at(epcis.UnitsMoved), func(e *epcis.Entry) { e.Reason, e.Quantity = "gift", some("-1") }),
			"ObjectEvent DELETE other"},
		"broken": {with(at(epcis.UnitsMoved), func(e *epcis.Entry) { e.Reason, e.Quantity = "broken", some("-1") }),
			"ObjectEvent DELETE destroying destroyed"},
	} {
		if got := said(tc.entry); got != tc.want {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
	}
}

// What is drawn into a batch and what comes of it are one transformation; the packing of its units is another, whose input is
// what the batch made.
func TestMakingAndPackingHangTogether(t *testing.T) {
	t.Parallel()
	s, list := site(t), entries()
	drawn, batch, packaging, packed := list[3].Event(s), list[5].Event(s), list[7].Event(s), list[8].Event(s)
	switch {
	case drawn.TransformationID != batch.TransformationID || packaging.TransformationID != packed.TransformationID || batch.TransformationID == packed.TransformationID:
		t.Errorf("%s %s, %s %s", drawn.TransformationID, batch.TransformationID, packaging.TransformationID, packed.TransformationID)
	case batch.OutputQuantityList[0].EPCClass != packed.InputQuantityList[0].EPCClass || packed.InputQuantityList[0].Quantity != "":
		t.Errorf("%v into %v", batch.OutputQuantityList, packed.InputQuantityList)
	case packed.OutputQuantityList[0] != (epcis.Quantity{EPCClass: "https://id.gs1.org/01/09521234543213/10/OB-26122-01", Quantity: "38"}):
		t.Errorf("%v", packed.OutputQuantityList)
	}
	// No URI stands for two things: an event, a transformation, a class.
	seen := map[string]bool{}
	for _, uri := range []string{batch.EventID, batch.TransformationID, batch.OutputQuantityList[0].EPCClass, packed.EventID, packed.TransformationID, epcis.URN(tins.ID)} {
		if seen[uri] {
			t.Errorf("%s stands for two things", uri)
		}
		seen[uri] = true
	}
}
