// Package epcis writes a book's entries as events of EPCIS 2.0 (GS1, "EPCIS Standard", release 2.0; also ISO/IEC 19987) in
// JSON-LD, with the words of the Core Business Vocabulary (CBV) 2.0. It decides which entry is which event, and how things
// are named. Field names and their rules are those of GS1's EPCIS-JSON-Schema.json; epcistest holds documents to them.
//
// Personal data never comes in: a customer or a supplier is a urn:uuid and nothing else.
package epcis

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"time"
)

// MediaType is what a document is sent as: that of JSON-LD.
const MediaType = "application/ld+json"

// Version is that of EPCIS and CBV here.
const Version = "2.0.0"

// contextURL gives the names of a document their meaning, cbvmda among them, the master data of a lot.
const contextURL = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"

// Event is an ObjectEvent or a TransformationEvent. What is empty is left out; the order is that of the fields.
type Event struct {
	Type                string            `json:"type"`
	EventID             string            `json:"eventID"`
	EventTime           string            `json:"eventTime"`
	EventTimeZoneOffset string            `json:"eventTimeZoneOffset"`
	RecordTime          string            `json:"recordTime,omitempty"`
	ErrorDeclaration    *ErrorDeclaration `json:"errorDeclaration,omitempty"`
	TransformationID    string            `json:"transformationID,omitempty"`
	InputQuantityList   []Quantity        `json:"inputQuantityList,omitempty"`
	OutputQuantityList  []Quantity        `json:"outputQuantityList,omitempty"`
	QuantityList        []Quantity        `json:"quantityList,omitempty"`
	Action              string            `json:"action,omitempty"`
	BizStep             string            `json:"bizStep,omitempty"`
	Disposition         string            `json:"disposition,omitempty"`
	ReadPoint           *Place            `json:"readPoint,omitempty"`
	BizLocation         *Place            `json:"bizLocation,omitempty"`
	BizTransactionList  []BizTransaction  `json:"bizTransactionList,omitempty"`
	SourceList          []Source          `json:"sourceList,omitempty"`
	DestinationList     []Destination     `json:"destinationList,omitempty"`
	SensorElementList   []SensorElement   `json:"sensorElementList,omitempty"`
	Ilmd                *Ilmd             `json:"ilmd,omitempty"`
}

// Quantity is so much of a class of things. Without a number the amount is not known; without a unit it is a count.
type Quantity struct {
	EPCClass string      `json:"epcClass"`
	Quantity json.Number `json:"quantity,omitempty"`
	UOM      string      `json:"uom,omitempty"` // UN/CEFACT Recommendation 20
}

// Place is a readPoint or a bizLocation.
type Place struct {
	ID string `json:"id"`
}

type BizTransaction struct {
	Type           string `json:"type"`
	BizTransaction string `json:"bizTransaction"`
}

type Source struct {
	Type   string `json:"type"`
	Source string `json:"source"`
}

type Destination struct {
	Type        string `json:"type"`
	Destination string `json:"destination"`
}

type SensorElement struct {
	SensorMetadata SensorMetadata `json:"sensorMetadata"`
	SensorReport   []SensorReport `json:"sensorReport"`
}

type SensorMetadata struct {
	Time string `json:"time"`
}

type SensorReport struct {
	Type  string      `json:"type"`
	Value json.Number `json:"value"`
	UOM   string      `json:"uom"`
}

// ErrorDeclaration says that an event is wrong, and which take its place.
type ErrorDeclaration struct {
	DeclarationTime    string   `json:"declarationTime"`
	Reason             string   `json:"reason"`
	CorrectiveEventIDs []string `json:"correctiveEventIDs,omitempty"`
}

// Ilmd is master data of a lot that begins with the event.
type Ilmd struct {
	LotNumber      string `json:"cbvmda:lotNumber,omitempty"`
	ItemExpiration string `json:"cbvmda:itemExpirationDate,omitempty"`
	BestBefore     string `json:"cbvmda:bestBeforeDate,omitempty"`
}

// stamp writes a moment as xsd:dateTimeStamp, which needs its offset, to the millisecond.
func stamp(t time.Time) string { return t.Format("2006-01-02T15:04:05.000-07:00") }

// Writer writes an EPCISDocument event by event, a line each, and holds no more than one of them. The same events and the
// same creation time give the same bytes.
type Writer struct {
	out     *bufio.Writer
	created time.Time
	events  int
}

// NewWriter begins a document that was made at a moment.
func NewWriter(out io.Writer, created time.Time) *Writer {
	return &Writer{out: bufio.NewWriter(out), created: created}
}

// Add writes one more event.
func (w *Writer) Add(e Event) error {
	if w.events == 0 {
		w.begin()
	} else {
		_ = w.out.WriteByte(',') // bufio keeps the first error, and Close tells it
	}
	w.events++
	_ = w.out.WriteByte('\n')
	text, err := encoded(e)
	if err != nil {
		return fmt.Errorf("epcis: event %s: %w", e.EventID, err)
	}
	_, err = w.out.Write(text)
	return err
}

func (w *Writer) begin() {
	_, _ = fmt.Fprintf(w.out, `{"@context":["%s"],"type":"EPCISDocument","schemaVersion":"2.0","creationDate":"%s","epcisBody":{"eventList":[`, contextURL, stamp(w.created.UTC()))
}

// Close ends the document. One without events is a document too.
func (w *Writer) Close() error {
	if w.events == 0 {
		w.begin()
	}
	_, _ = w.out.WriteString("\n]}}\n")
	return w.out.Flush()
}

// encoded leaves < and & as they are: this is no HTML.
func encoded(e Event) ([]byte, error) {
	var text bytes.Buffer
	j := json.NewEncoder(&text)
	j.SetEscapeHTML(false)
	err := j.Encode(e)
	return bytes.TrimSuffix(text.Bytes(), []byte("\n")), err
}
