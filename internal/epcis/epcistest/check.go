// Package epcistest holds documents to the rules of EPCIS 2.0 in JSON, for tests. It is our own reading of GS1's published
// EPCIS-JSON-Schema.json (https://ref.gs1.org/standards/epcis/epcis-json-schema.json, and the repository gs1/EPCIS), whose text
// is under GS1's own licence and is not copied here. The definition of the schema that a rule comes from is named beside it.
// Where we use less than the standard allows, less is allowed here too: only events, lists and words that a book's entries
// can become.
package epcistest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Document is what Check read, as JSON stands.
type Document struct {
	Created time.Time
	Events  []map[string]any
}

// definition bizStep: the words of CBV.
var bizSteps = strings.Fields(`accepting arriving assembling collecting commissioning consigning creating_class_instance cycle_counting decommissioning
	departing destroying disassembling dispensing encoding entering_exiting holding inspecting installing killing loading other packing picking receiving
	removing repackaging repairing replacing reserving retail_selling shipping staging_outbound stock_taking stocking storing transporting unloading
	unpacking void_shipping sensor_reporting sampling`)

// definition disposition.
var dispositions = strings.Fields(`active container_closed damaged destroyed dispensed disposed encoded expired in_progress in_transit inactive
	no_pedigree_match non_sellable_other partially_dispensed recalled reserved retail_sold returned sellable_accessible sellable_not_accessible stolen
	unknown available completeness_verified completeness_inferred conformant container_open mismatch_instance mismatch_class mismatch_quantity
	needs_replacement non_conformant unavailable`)

// definitions bizTransaction-type, source-dest-type, error-reason, and measurementType as far as a room has it.
var (
	transactionTypes = strings.Fields(`bol cert desadv inv pedigree po poc prodorder recadv rma testprd testres`)
	partyTypes       = strings.Fields(`owning_party possessing_party location`)
	errorReasons     = strings.Fields(`did_not_occur incorrect_data`)
	measurements     = map[string]string{"Temperature": "CEL", "RelativeHumidity": "P1"} // with the unit that we give
)

// common-event-properties, and the propertyNames of ObjectEvent and TransformationEvent.
var (
	common    = strings.Fields(`type eventTime recordTime eventTimeZoneOffset eventID errorDeclaration`)
	shared    = strings.Fields(`bizStep disposition readPoint bizLocation bizTransactionList sourceList destinationList sensorElementList ilmd`)
	ofObject  = slices.Concat(common, shared, strings.Fields(`action epcList quantityList`))
	transform = slices.Concat(common, shared, strings.Fields(`inputEPCList inputQuantityList outputEPCList outputQuantityList transformationID`))
)

var (
	// definition uri (format uri): a scheme, then no space, control or delimiter of RFC 3986's "excluded".
	uriPattern = regexp.MustCompile("^[A-Za-z][A-Za-z0-9+.-]*:[^\\x00-\\x20\"<>\\\\^`{|}\\x7f-\\x{10ffff}]+$")
	// A urn:uuid is one in lower case (RFC 9562 section 4); a Digital Link URI has 14 digits and a percent-encoded batch.
	uuidPattern = regexp.MustCompile(`^urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)
	linkPattern = regexp.MustCompile(`^https://id\.gs1\.org/01/[0-9]{14}/10/([A-Za-z0-9._~-]|%[0-9A-F]{2})+$`)
	// definition uom.
	uomPattern = regexp.MustCompile(`^[A-Z0-9]{2,3}$`)
	// definition Event, eventTimeZoneOffset.
	offsetPattern = regexp.MustCompile(`^[+-]((0[0-9]|1[0-3]):[0-5][0-9]|14:00)$`)
	// definition version.
	versionPattern = regexp.MustCompile(`^\d+(\.\d+)*$`)
)

// checker gathers what is wrong, and where.
type checker struct{ faults []string }

func (c *checker) wrong(at, format string, args ...any) {
	c.faults = append(c.faults, at+": "+fmt.Sprintf(format, args...))
}

// Check reads a document and lists all that breaks a rule; an empty list is a sound one.
func Check(text []byte) (Document, []string) {
	var c checker
	var raw map[string]any
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	if err := d.Decode(&raw); err != nil {
		return Document{}, []string{err.Error()}
	}
	if d.More() {
		c.wrong("document", "something stands behind it")
	}
	// definition epcisDocument: required and propertyNames.
	c.names("document", raw, strings.Fields(`@context type schemaVersion creationDate epcisBody`), nil)
	if raw["type"] != "EPCISDocument" {
		c.wrong("type", "%v", raw["type"])
	}
	if version, _ := raw["schemaVersion"].(string); !versionPattern.MatchString(version) {
		c.wrong("schemaVersion", "%v", raw["schemaVersion"])
	}
	doc := Document{Created: c.time("creationDate", raw["creationDate"])}
	for _, context := range c.list("@context", raw["@context"], 1) {
		c.uri("@context", context)
	}
	body := c.object("epcisBody", raw["epcisBody"])
	c.names("epcisBody", body, []string{"eventList"}, nil)
	seen := map[string]bool{}
	for i, v := range c.list("eventList", body["eventList"], 0) {
		at := fmt.Sprintf("eventList[%d]", i)
		e := c.object(at, v)
		doc.Events = append(doc.Events, e)
		c.event(at, e)
		if id, _ := e["eventID"].(string); seen[id] {
			c.wrong(at, "eventID %s stands here twice", id)
		} else {
			seen[id] = true
		}
	}
	return doc, c.faults
}

// names holds an object to its required names and those that it may have besides.
func (c *checker) names(at string, o map[string]any, required, allowed []string) {
	for _, name := range required {
		if _, there := o[name]; !there {
			c.wrong(at, "lacks %s", name)
		}
	}
	for name := range o {
		if !slices.Contains(required, name) && !slices.Contains(allowed, name) {
			c.wrong(at, "%s has no place here", name)
		}
	}
}

func (c *checker) object(at string, v any) map[string]any {
	o, ok := v.(map[string]any)
	if !ok {
		c.wrong(at, "is no object")
	}
	return o
}

func (c *checker) list(at string, v any, least int) []any {
	l, ok := v.([]any)
	if !ok || len(l) < least {
		c.wrong(at, "is no list of %d or more", least)
	}
	return l
}

func (c *checker) uri(at string, v any) {
	if text, _ := v.(string); !uriPattern.MatchString(text) {
		c.wrong(at, "%v is no URI", v)
	}
}

// id is a URI of ours: a uuid, or a GS1 Digital Link where a class may be one.
func (c *checker) id(at string, v any, class bool) {
	c.uri(at, v)
	if text, _ := v.(string); !uuidPattern.MatchString(text) && !(class && linkPattern.MatchString(text)) {
		c.wrong(at, "%v is no id of ours", v)
	}
}

// time is definition time (format date-time, RFC 3339); xsd:dateTimeStamp needs the offset as well, which RFC 3339 does.
func (c *checker) time(at string, v any) time.Time {
	text, _ := v.(string)
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		c.wrong(at, "%v is no dateTimeStamp", v)
	}
	return t
}

func (c *checker) oneOf(at string, v any, words []string) {
	if text, _ := v.(string); !slices.Contains(words, text) {
		c.wrong(at, "%v is not one of %v", v, words)
	}
}

// event is definitions Event, ObjectEvent and TransformationEvent.
func (c *checker) event(at string, e map[string]any) {
	switch e["type"] {
	case "ObjectEvent":
		c.names(at, e, []string{"type", "eventTime", "eventTimeZoneOffset", "eventID", "action"}, ofObject)
		c.objectEvent(at, e)
	case "TransformationEvent":
		c.names(at, e, []string{"type", "eventTime", "eventTimeZoneOffset", "eventID"}, transform)
		c.transformation(at, e)
	default:
		c.wrong(at, "type %v", e["type"])
	}
	c.id(at+".eventID", e["eventID"], false)
	when := c.time(at+".eventTime", e["eventTime"])
	offset, _ := e["eventTimeZoneOffset"].(string)
	if !offsetPattern.MatchString(offset) {
		c.wrong(at, "eventTimeZoneOffset %v", e["eventTimeZoneOffset"])
	} else if when.Format("-07:00") != offset {
		c.wrong(at, "eventTime %v is not at %s", e["eventTime"], offset)
	}
	for name, v := range e {
		switch here := at + "." + name; name {
		case "recordTime":
			c.time(here, v)
		case "bizStep":
			c.oneOf(here, v, bizSteps)
		case "disposition":
			c.oneOf(here, v, dispositions)
		case "readPoint", "bizLocation":
			o := c.object(here, v)
			c.names(here, o, []string{"id"}, nil)
			c.id(here, o["id"], false)
		case "bizTransactionList":
			c.pairs(here, v, "bizTransaction", transactionTypes)
		case "sourceList":
			c.pairs(here, v, "source", partyTypes)
		case "destinationList":
			c.pairs(here, v, "destination", partyTypes)
		case "sensorElementList":
			c.sensors(here, v)
		case "errorDeclaration":
			c.declaration(here, e, c.object(here, v))
		case "ilmd":
			c.ilmd(here, c.object(here, v))
		}
	}
}

// objectEvent: action is one of three; there are things, or sensors with a readPoint; ilmd is for ADD alone.
func (c *checker) objectEvent(at string, e map[string]any) {
	c.oneOf(at+".action", e["action"], []string{"ADD", "OBSERVE", "DELETE"})
	if _, there := e["ilmd"]; there && e["action"] != "ADD" {
		c.wrong(at, "ilmd with action %v", e["action"])
	}
	if _, there := e["quantityList"]; there {
		c.quantities(at+".quantityList", e["quantityList"])
	} else if e["sensorElementList"] == nil || e["readPoint"] == nil {
		c.wrong(at, "neither things nor sensors with a readPoint")
	}
}

// transformation: inputs and outputs, or a transformationID with one of them.
func (c *checker) transformation(at string, e map[string]any) {
	sides := 0
	for _, name := range []string{"inputQuantityList", "outputQuantityList"} {
		if v, there := e[name]; there {
			c.quantities(at+"."+name, v)
			sides++
		}
	}
	if id, there := e["transformationID"]; there {
		c.id(at+".transformationID", id, false)
		sides++
	}
	if sides < 2 {
		c.wrong(at, "a transformation of nothing, or into nothing")
	}
}

// quantities is definition quantityElement: no other names; a unit only with a number, since it would be one of nothing.
func (c *checker) quantities(at string, v any) {
	for i, q := range c.list(at, v, 1) {
		here := fmt.Sprintf("%s[%d]", at, i)
		o := c.object(here, q)
		c.names(here, o, []string{"epcClass"}, []string{"quantity", "uom"})
		c.id(here+".epcClass", o["epcClass"], true)
		n, counted := o["quantity"].(json.Number)
		if _, there := o["quantity"]; there && (!counted || strings.HasPrefix(n.String(), "-")) {
			c.wrong(here, "quantity %v", o["quantity"])
		}
		if uom, there := o["uom"]; there {
			if text, _ := uom.(string); !uomPattern.MatchString(text) || !counted {
				c.wrong(here, "uom %v", uom)
			}
		}
	}
}

// pairs is definitions bizTransaction, source and destination.
func (c *checker) pairs(at string, v any, name string, types []string) {
	for _, p := range c.list(at, v, 1) {
		o := c.object(at, p)
		c.names(at, o, []string{"type", name}, nil)
		c.oneOf(at+".type", o["type"], types)
		c.id(at+"."+name, o[name], false)
	}
}

// sensors is definitions sensorElement, sensorMetadata and sensorReport.
func (c *checker) sensors(at string, v any) {
	for _, s := range c.list(at, v, 1) {
		o := c.object(at, s)
		c.names(at, o, []string{"sensorReport"}, []string{"sensorMetadata"})
		if meta, there := o["sensorMetadata"]; there {
			m := c.object(at, meta)
			c.names(at, m, []string{"time"}, nil)
			c.time(at, m["time"])
		}
		for _, r := range c.list(at+".sensorReport", o["sensorReport"], 1) {
			report := c.object(at, r)
			c.names(at, report, []string{"type", "value", "uom"}, nil)
			kind, _ := report["type"].(string)
			if unit, known := measurements[kind]; !known || report["uom"] != unit {
				c.wrong(at, "%v in %v", report["type"], report["uom"])
			}
			if _, number := report["value"].(json.Number); !number {
				c.wrong(at, "value %v", report["value"])
			}
		}
	}
}

// declaration is definition errorDeclaration. An event that did not occur has none in its place; one with wrong data does.
func (c *checker) declaration(at string, e, d map[string]any) {
	c.names(at, d, []string{"declarationTime", "reason"}, []string{"correctiveEventIDs"})
	c.time(at, d["declarationTime"])
	c.oneOf(at, d["reason"], errorReasons)
	ids, corrected := d["correctiveEventIDs"]
	if corrected != (d["reason"] == "incorrect_data") {
		c.wrong(at, "%v with %v", d["reason"], ids)
	}
	if corrected {
		for _, id := range c.list(at, ids, 1) {
			c.id(at, id, false)
			if id == e["eventID"] {
				c.wrong(at, "corrects itself")
			}
		}
	}
}

// ilmd is definition ilmd: names are URIs, here with the prefix of CBV's master data.
func (c *checker) ilmd(at string, o map[string]any) {
	c.names(at, o, nil, []string{"cbvmda:lotNumber", "cbvmda:itemExpirationDate", "cbvmda:bestBeforeDate"})
	if len(o) == 0 {
		c.wrong(at, "is empty")
	}
	for name, v := range o {
		text, ok := v.(string)
		if !ok || text == "" {
			c.wrong(at, "%s %v", name, v)
		}
		if _, err := time.Parse(time.DateOnly, text); strings.HasSuffix(name, "Date") && err != nil {
			c.wrong(at, "%s %v", name, v)
		}
	}
}
