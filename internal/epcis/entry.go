package epcis

import (
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"
)

// Kind is what an entry of the book is about. Events of one day stand in this order.
type Kind int

const (
	Received  Kind = iota + 1 // a lot was delivered
	Filled                    // a tub was filled from a lot
	LotMoved                  // a lot was counted or written off
	Drawn                     // a lot, a batch, units or an untracked material went into a batch
	Climate                   // the room was read
	Made                      // a batch came of what was drawn
	BulkMoved                 // bulk was weighed again or thrown away
	Packaging                 // packaging of a lot was used for a packing
	Packed                    // units came of a batch
	Dispatched
	Returned
	Destroyed  // units that came back were destroyed: the row of the return told a second time
	UnitsMoved // units left or entered otherwise
)

// Thing is what a quantity is of: a lot, what a batch made, the units of a packing, or an untracked material.
type Thing struct {
	ID   uuid.UUID // of its row
	Code string    // of a lot, batch or packing
	GTIN string    // of the product of a packing; empty where none is known
}

// Class is the URI of the thing as a class: the GS1 Digital Link URI of GTIN and batch code where a GTIN is known, else its
// own uuid. A GTIN alone does not tell the length of its company prefix, so no urn:epc:class:lgtin can be made of it.
func (t Thing) Class() string {
	if uri, ok := ProductBatch(t.GTIN, t.Code); t.GTIN != "" && ok {
		return uri
	}
	return URN(t.ID)
}

// Entry is a row of the book in the trade's own terms.
type Entry struct {
	Kind     Kind
	ID       uuid.UUID           // of the row
	At       time.Time           // when it happened: the moment, or the start of the day where only that is known
	Recorded time.Time           // when it was written
	Of       Thing               // what came, was drawn, made, sent, moved or read about
	Into     Thing               // Filled: the tub; Drawn: the batch; Packaging: the packing. Packed: what was packed is Of, Into the units
	Quantity decimal.NullDecimal // in Unit; signed for moves
	Unit     string              // g, ml or each
	Party    uuid.UUID           // supplier or customer, the zero id where unknown
	Dispatch uuid.UUID           // the zero id where unknown
	Lot      string              // the number that stands on a delivery, else our code
	Best     string              // 2027-04-30: expiry of a lot, best-before of a batch or a packing, or empty
	Reason   string              // of a move
	TempC    decimal.NullDecimal
	HumidPct decimal.NullDecimal
	// Replaced is when the entry was corrected or withdrawn, zero for one that stands, and By the entry in its place, its own id
	// where there is none.
	Replaced time.Time
	By       uuid.UUID
}

// Site is where events happen.
type Site struct {
	Workshop uuid.UUID
	Zone     *time.Location
}

// place is the workshop as a location; the workshop's own id names it as a party.
func (s Site) place() *Place { return &Place{URN(Derived(s.Workshop, "place"))} }

const (
	object         = "ObjectEvent"
	transformation = "TransformationEvent"
)

// units of the book in UN/CEFACT Recommendation 20; a count has none.
var units = map[string]string{"g": "GRM", "ml": "MLT"}

func (e Entry) amount(t Thing) []Quantity {
	q := Quantity{EPCClass: t.Class()}
	if e.Quantity.Valid {
		q.Quantity, q.UOM = number(e.Quantity.Decimal.Abs()), units[e.Unit]
	}
	return []Quantity{q}
}

func number(d decimal.Decimal) json.Number { return json.Number(d.String()) }

// Event is the entry as EPCIS tells it.
//
// Making and packing are transformations told in several events with one transformationID, as the schema's definition
// TransformationEvent allows: each thing that was drawn is an event of its own, so that a correction declares the one that was
// wrong and no other.
func (e Entry) Event(s Site) Event {
	at := e.At.In(s.Zone)
	v := Event{EventID: URN(e.eventID()), EventTime: stamp(at), EventTimeZoneOffset: at.Format("-07:00"), RecordTime: stamp(e.Recorded.In(s.Zone)), ReadPoint: s.place()}
	if !e.Replaced.IsZero() {
		v.ErrorDeclaration = &ErrorDeclaration{DeclarationTime: stamp(e.Replaced.In(s.Zone)), Reason: "did_not_occur"}
		if e.By != e.ID {
			v.ErrorDeclaration.Reason, v.ErrorDeclaration.CorrectiveEventIDs = "incorrect_data", []string{URN(e.By)}
		}
	}
	switch e.Kind {
	case Filled, Drawn, Made, Packaging, Packed:
		e.transform(&v, s)
	default:
		v.Type = object
		v.QuantityList = e.amount(e.Of)
		e.observe(&v, s)
	}
	return v
}

// eventID is the row's own id for what is an entry, and one that follows from it for what is a thing as well.
func (e Entry) eventID() uuid.UUID {
	switch e.Kind {
	case Received:
		return Derived(e.ID, "received")
	case Made:
		return Derived(e.ID, "made")
	case Packed:
		return Derived(e.ID, "packed")
	case Destroyed:
		return Derived(e.ID, "destroyed")
	case Climate:
		if e.ID == e.Of.ID { // an older book's single reading stands on the batch itself
			return Derived(e.ID, "climate")
		}
	}
	return e.ID
}

// transform fills what a TransformationEvent has; it has no action.
func (e Entry) transform(v *Event, s Site) {
	v.Type, v.BizStep, v.BizLocation = transformation, "commissioning", s.place()
	switch e.Kind {
	case Filled:
		v.InputQuantityList, v.OutputQuantityList = e.amount(e.Of), e.amount(e.Into)
		v.Ilmd = &Ilmd{LotNumber: e.Into.Code}
	case Drawn:
		v.TransformationID = making(e.Into)
		v.InputQuantityList = e.amount(e.Of)
	case Made:
		v.TransformationID = making(e.Of)
		v.OutputQuantityList = e.amount(e.Of)
		v.Ilmd = &Ilmd{LotNumber: e.Of.Code, BestBefore: e.Best}
	case Packaging:
		v.TransformationID = packing(e.Into)
		v.InputQuantityList = e.amount(e.Of)
	case Packed:
		v.TransformationID = packing(e.Into)
		v.InputQuantityList = []Quantity{{EPCClass: e.Of.Class()}} // how much of it a packing took is not weighed
		v.OutputQuantityList = e.amount(e.Into)
		v.Ilmd = &Ilmd{LotNumber: e.Into.Code, BestBefore: e.Best}
	}
}

func making(batch Thing) string { return URN(Derived(batch.ID, "making")) }

func packing(of Thing) string { return URN(Derived(of.ID, "packing")) }

// observe fills what an ObjectEvent has. Business steps and dispositions are those of the schema's definitions bizStep and
// disposition, which are CBV's.
func (e Entry) observe(v *Event, s Site) {
	const party = "possessing_party"
	v.Action = "OBSERVE"
	switch e.Kind {
	case Received:
		// ADD, since the lot's id begins here; only then may its number and date be told (the
		// schema's definition ObjectEvent: no ilmd with OBSERVE or DELETE).
		v.Action, v.BizStep, v.Disposition, v.BizLocation = "ADD", "receiving", "in_progress", s.place()
		v.Ilmd = &Ilmd{LotNumber: e.Lot, ItemExpiration: e.Best}
		if e.Party != uuid.Nil {
			v.SourceList, v.DestinationList = []Source{{party, URN(e.Party)}}, []Destination{{party, URN(s.Workshop)}}
		}
	case Climate:
		v.BizStep, v.BizLocation = "sensor_reporting", s.place()
		v.SensorElementList = []SensorElement{e.sensor(v.EventTime)}
	case Dispatched:
		v.BizStep, v.Disposition = "shipping", "in_transit"
		v.SourceList, v.DestinationList = []Source{{party, URN(s.Workshop)}}, []Destination{{party, URN(e.Party)}}
		v.BizTransactionList = advice(e.Dispatch)
	case Returned:
		v.BizStep, v.Disposition, v.BizLocation = "receiving", "returned", s.place()
		if e.Party != uuid.Nil {
			v.SourceList, v.DestinationList = []Source{{party, URN(e.Party)}}, []Destination{{party, URN(s.Workshop)}}
		}
		if e.Dispatch != uuid.Nil {
			v.BizTransactionList = advice(e.Dispatch)
		}
	case Destroyed:
		v.Action, v.BizStep, v.Disposition = "DELETE", "destroying", "destroyed"
	case LotMoved, BulkMoved, UnitsMoved:
		v.Action = "ADD"
		if e.Quantity.Decimal.IsNegative() {
			v.Action = "DELETE"
		} else {
			v.BizLocation = s.place()
		}
		v.BizStep, v.Disposition = moved(e.Reason)
	}
}

// moved is the step of a move, by its reason in the book. Where CBV has no word for it, "other" is one.
func moved(reason string) (bizStep, disposition string) {
	switch reason {
	case "adjust", "count":
		return "stock_taking", ""
	case "broken", "thrown_away":
		return "destroying", "destroyed"
	default: // write_off, tester, gift, own_use
		return "other", ""
	}
}

// advice names the dispatch; desadv is a despatch advice (the schema's definition bizTransaction-type).
func advice(dispatch uuid.UUID) []BizTransaction {
	return []BizTransaction{{Type: "desadv", BizTransaction: URN(dispatch)}}
}

// sensor writes a reading: CEL is degree Celsius and P1 percent in UN/CEFACT Recommendation 20 (from memory).
func (e Entry) sensor(at string) SensorElement {
	var list []SensorReport
	if e.TempC.Valid {
		list = append(list, SensorReport{"Temperature", number(e.TempC.Decimal), "CEL"})
	}
	if e.HumidPct.Valid {
		list = append(list, SensorReport{"RelativeHumidity", number(e.HumidPct.Decimal), "P1"})
	}
	return SensorElement{SensorMetadata{at}, list}
}
