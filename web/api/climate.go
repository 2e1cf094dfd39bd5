package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/store"
)

// A logger that was off the air for a week and reads once a minute has some 10,000 readings to tell.
const (
	readingsMost  = 10_000
	readingsBytes = 4 << 20
	faultsMost    = 1000
)

// readings adds what a logger or a home hub posts.
func (s *site) readings() {
	reading := s.named("Reading", &huma.Schema{
		Type: huma.TypeObject, Required: []string{"place", "taken_at", "temperature_c", "humidity_pct"}, AdditionalProperties: false,
		Properties: map[string]*huma.Schema{
			"place":         {Type: huma.TypeString, MinLength: ref(1), MaxLength: ref(80), Description: "The room, as the batch book calls it"},
			"taken_at":      {Type: huma.TypeString, Format: "date-time", Description: "RFC 3339, with its offset from UTC"},
			"temperature_c": {Type: huma.TypeNumber, Minimum: ref(-45.0), Maximum: ref(80.0)},
			"humidity_pct":  {Type: huma.TypeNumber, Minimum: ref(0.0), Maximum: ref(100.0)},
		},
	})
	stored := s.named("Stored", &huma.Schema{
		Type: huma.TypeObject, Required: []string{"stored", "same"}, AdditionalProperties: false,
		Properties: map[string]*huma.Schema{
			"stored": {Type: huma.TypeInteger, Minimum: ref(0.0), Description: "Readings that are new"},
			"same":   {Type: huma.TypeInteger, Minimum: ref(0.0), Description: "Readings that were there before, in the book or earlier in the list"},
		},
	})
	serve(s, writes, huma.Operation{
		Method: http.MethodPost, Path: "/climate-readings", OperationID: "add-climate-readings",
		Summary:     "Store readings of a room's logger",
		Description: "All of the list or nothing. The same reading twice is stored once; another reading for the same place and moment is a conflict.",
		RequestBody: &huma.RequestBody{Required: true, Content: map[string]*huma.MediaType{
			"application/json": {Schema: &huma.Schema{Type: huma.TypeArray, Items: reading, MaxItems: ref(readingsMost)}},
		}},
		Responses: map[string]*huma.Response{
			"200": {Description: "Stored", Content: map[string]*huma.MediaType{"application/json": {Schema: stored}}},
			"409": s.refusal(http.StatusConflict),
		},
	}, func(c *call, _ *struct{}) error {
		list, err := readReadings(c)
		if err != nil {
			return err
		}
		added, same, err := s.house.Store.AddReadings(c.ctx(), c.bearer.Who.Workshop, list)
		if err != nil {
			return err
		}
		return writeJSON(c.w, map[string]int{"stored": added, "same": same})
	})
}

func ref[T any](v T) *T { return &v }

func writeJSON(w http.ResponseWriter, v any) error {
	body, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(append(body, '\n')) // nobody waits any more where this fails
	return nil
}

// media is the content type of the body, without its parameters; empty where none is said.
func media(r *http.Request) string {
	m, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		return ""
	}
	return m
}

func readReadings(c *call) ([]store.Reading, error) {
	if media(c.r) != "application/json" {
		return nil, unsupported("application/json")
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.w, c.r.Body, readingsBytes))
	if err != nil {
		return nil, unread(err)
	}
	if !utf8.Valid(body) {
		return nil, notReadings("the body is not UTF-8")
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	var raw []json.RawMessage
	if err := d.Decode(&raw); err != nil || raw == nil {
		return nil, notReadings(jsonWords(err))
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, notReadings("something follows the list")
	}
	if len(raw) > readingsMost {
		return nil, fault.New(fault.Invalid, fmt.Sprintf("The list has %d readings; %d are the most at once.", len(raw), readingsMost))
	}
	var faults readingFaults
	list := make([]store.Reading, len(raw))
	for i, one := range raw {
		list[i] = faults.reading(i, one)
	}
	return list, faults.err()
}

// unread is an error of reading a body: too large is said by sorry, a broken line by the one who broke it.
func unread(err error) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return err
	}
	return &Problem{Status: http.StatusBadRequest, Detail: "The body could not be read to its end."}
}

func jsonWords(err error) string {
	var at *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &at):
		return fmt.Sprintf("it breaks off or goes wrong at byte %d", at.Offset)
	case errors.As(err, &kind):
		return "it is a JSON " + kind.Value
	case errors.Is(err, io.EOF):
		return "the body is empty"
	case err == nil:
		return "it is null"
	}
	return "it breaks off"
}

func notReadings(words string) error {
	return &Problem{Status: http.StatusUnprocessableEntity, Detail: "The body has to be a JSON list of {place, taken_at, temperature_c, humidity_pct}; " + words + "."}
}

// readingFaults gathers what is wrong with a list.
type readingFaults struct {
	told []Detail
	more int64
}

func (f *readingFaults) add(i int, field, words string) {
	if len(f.told) >= faultsMost {
		f.more++
		return
	}
	at := fmt.Sprintf("[%d]", i)
	if field != "" {
		at += "." + field
	}
	f.told = append(f.told, Detail{Location: at, Message: words})
}

func (f *readingFaults) err() error {
	if len(f.told) == 0 {
		return nil
	}
	return &Problem{Status: http.StatusUnprocessableEntity, Detail: "Nothing was stored: something is wrong with these readings.", Errors: f.told, More: f.more}
}

// reading judges one reading by the columns of the interchange's table, so that a value that an import takes is taken
// here too, and no other.
func (f *readingFaults) reading(i int, raw json.RawMessage) (r store.Reading) {
	var fields map[string]any
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	if err := d.Decode(&fields); err != nil || fields == nil {
		f.add(i, "", "is no object with place, taken_at, temperature_c and humidity_pct")
		return r
	}
	table, _ := interchange.Lookup("climate_readings")
	for _, c := range table.Columns {
		text, wrong := cell(c, fields)
		if wrong == "" {
			text, wrong = c.Value(text)
		}
		if wrong != "" {
			f.add(i, c.Name, wrong)
			continue
		}
		switch c.Name {
		case "place":
			r.Place = text
		case "taken_at":
			r.TakenAt, _ = time.Parse(time.RFC3339Nano, text) // in this form by c.Value
		case "temperature_c":
			r.TemperatureC, _ = decimal.NewFromString(text) // likewise
		case "humidity_pct":
			r.HumidityPct, _ = decimal.NewFromString(text) // likewise
		}
		delete(fields, c.Name)
	}
	for _, c := range table.Columns {
		delete(fields, c.Name)
	}
	for name := range fields {
		f.add(i, "", fmt.Sprintf("has a field %.60q that a reading does not have", name))
	}
	return r
}

// exponentMost keeps a number that is written with an exponent from unfolding into a page of digits.
const exponentMost = 20

// cell is the text of a field, as a table would have it.
func cell(c interchange.Column, fields map[string]any) (text, wrong string) {
	value, there := fields[c.Name]
	if !there || value == nil {
		return "", "is missing"
	}
	number := c.Kind == interchange.Decimal
	switch v := value.(type) {
	case json.Number:
		if !number {
			return "", "has to be text"
		}
		if !strings.ContainsAny(v.String(), "eE") {
			return v.String(), ""
		}
		d, err := decimal.NewFromString(v.String())
		if err != nil || d.Exponent() > exponentMost || d.Exponent() < -exponentMost {
			return "", "is too large or too fine a number"
		}
		return d.String(), ""
	case string:
		if number {
			return "", "has to be a number, without quotes"
		}
		return v, ""
	}
	if number {
		return "", "has to be a number"
	}
	return "", "has to be text"
}
