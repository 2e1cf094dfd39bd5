package epcistest_test

import (
	"strings"
	"testing"

	"example.org/stillroom/internal/epcis/epcistest"
)

// sound is a document by the rules; each case below breaks one of them by replacing a piece.
const sound = `{"@context":["https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"],"type":"EPCISDocument","schemaVersion":"2.0","creationDate":"2026-05-02T09:31:12.345+00:00","epcisBody":{"eventList":[
{"type":"ObjectEvent","eventID":"urn:uuid:0197f3a0-0000-7000-8000-000000000001","eventTime":"2026-05-02T10:30:00.000+01:00","eventTimeZoneOffset":"+01:00","action":"ADD","bizStep":"receiving","disposition":"in_progress",
 "quantityList":[{"epcClass":"https://id.gs1.org/01/09521234543213/10/ABC123","quantity":2.5,"uom":"GRM"}],"readPoint":{"id":"urn:uuid:0197f3a0-0000-7000-8000-000000000002"},
 "sourceList":[{"type":"possessing_party","source":"urn:uuid:0197f3a0-0000-7000-8000-000000000003"}],"ilmd":{"cbvmda:lotNumber":"A","cbvmda:bestBeforeDate":"2027-01-31"},
 "errorDeclaration":{"declarationTime":"2026-05-03T10:30:00.000+01:00","reason":"incorrect_data","correctiveEventIDs":["urn:uuid:0197f3a0-0000-7000-8000-000000000009"]}},
{"type":"TransformationEvent","eventID":"urn:uuid:0197f3a0-0000-7000-8000-000000000004","eventTime":"2026-05-02T10:30:00.000+01:00","eventTimeZoneOffset":"+01:00","bizStep":"commissioning",
 "transformationID":"urn:uuid:0197f3a0-0000-7000-8000-000000000005","inputQuantityList":[{"epcClass":"urn:uuid:0197f3a0-0000-7000-8000-000000000006"}]},
{"type":"ObjectEvent","eventID":"urn:uuid:0197f3a0-0000-7000-8000-000000000007","eventTime":"2026-05-02T10:30:00.000+01:00","eventTimeZoneOffset":"+01:00","action":"OBSERVE","readPoint":{"id":"urn:uuid:0197f3a0-0000-7000-8000-000000000002"},
 "sensorElementList":[{"sensorMetadata":{"time":"2026-05-02T10:30:00.000+01:00"},"sensorReport":[{"type":"Temperature","value":19.5,"uom":"CEL"}]}]}
]}}`

func TestTheCheckerTakesWhatIsSound(t *testing.T) {
	t.Parallel()
	doc, faults := epcistest.Check([]byte(sound))
	if len(faults) > 0 || len(doc.Events) != 3 || doc.Created.IsZero() {
		t.Errorf("%d events: %v", len(doc.Events), faults)
	}
}

func TestTheCheckerFindsEachBrokenRule(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct{ piece, by, want string }{
		"no JSON":                            {"\n]}}", "\n]}", "EOF"},
		"something behind it":                {"\n]}}", "\n]}} {}", "behind"},
		"no creation date":                   {`"creationDate":"2026-05-02T09:31:12.345+00:00",`, ``, "creationDate"},
		"a creation date without its offset": {`345+00:00`, `345`, "dateTimeStamp"},
		"another document":                   {`"EPCISDocument"`, `"EPCISQueryDocument"`, "type"},
		"a version that is a word":           {`"2.0"`, `"two"`, "schemaVersion"},
		"a name that is not of it":           {`"schemaVersion"`, `"weather":"fine","schemaVersion"`, "weather"},
		"an event of another kind":           {`"TransformationEvent"`, `"WeatherEvent"`, "type"},
		"an event twice":                     {`000000000004"`, `000000000001"`, "twice"},
		"an id that is no URI":               {`"urn:uuid:0197f3a0-0000-7000-8000-000000000001"`, `"0197f3a0"`, "URI"},
		"a uuid in capitals":                 {`"urn:uuid:0197f3a0-0000-7000-8000-000000000001"`, `"urn:uuid:0197F3A0-0000-7000-8000-000000000001"`, "no id of ours"},
		"no time zone":                       {`"eventTimeZoneOffset":"+01:00","action":"ADD"`, `"action":"ADD"`, "eventTimeZoneOffset"},
		"an offset of no place":              {`"eventTimeZoneOffset":"+01:00","action":"ADD"`, `"eventTimeZoneOffset":"+14:30","action":"ADD"`, "eventTimeZoneOffset"},
		"time and offset differ":             {`"eventTimeZoneOffset":"+01:00","action":"ADD"`, `"eventTimeZoneOffset":"+02:00","action":"ADD"`, "is not at"},
		"an action of no kind":               {`"ADD"`, `"MOVE"`, "action"},
		"a lot's data where none begins":     {`"ADD"`, `"OBSERVE"`, "ilmd with"},
		"a transformation with an action":    {`"bizStep":"commissioning"`, `"action":"ADD","bizStep":"commissioning"`, "has no place"},
		"a transformation of one side":       {`"transformationID":"urn:uuid:0197f3a0-0000-7000-8000-000000000005",`, ``, "of nothing"},
		"a step that CBV lacks":              {`"receiving"`, `"delivered"`, "bizStep"},
		"a disposition that CBV lacks":       {`"in_progress"`, `"quarantined"`, "disposition"},
		"a negative quantity":                {`2.5`, `-2.5`, "quantity"},
		"a quantity as text":                 {`2.5`, `"2.5"`, "quantity"},
		"a unit that is a word":              {`"GRM"`, `"gram"`, "uom"},
		"a unit without a number":            {`"quantity":2.5,`, ``, "uom"},
		"an empty list":                      {`[{"epcClass":"urn:uuid:0197f3a0-0000-7000-8000-000000000006"}]`, `[]`, "no list"},
		"a batch that is not encoded":        {`10/ABC123`, `10/AB C`, "URI"},
		"a GTIN of thirteen digits":          {`01/0952`, `01/952`, "no id of ours"},
		"a party of no kind":                 {`"possessing_party"`, `"customer"`, "type"},
		"a person's name":                    {`"source":"urn:uuid:0197f3a0-0000-7000-8000-000000000003"`, `"source":"Mara Thistle"`, "URI"},
		"sensors of nowhere":                 {`"action":"OBSERVE","readPoint":{"id":"urn:uuid:0197f3a0-0000-7000-8000-000000000002"}`, `"action":"OBSERVE"`, "neither"},
		"a temperature in another unit":      {`"CEL"`, `"FAH"`, "Temperature"},
		"a sensor that says nothing":         {`[{"type":"Temperature","value":19.5,"uom":"CEL"}]`, `[]`, "no list"},
		"a reason that CBV lacks":            {`"incorrect_data"`, `"typed_wrong"`, "typed_wrong"},
		"what did not occur, corrected":      {`"incorrect_data"`, `"did_not_occur"`, "did_not_occur"},
		"an event that corrects itself":      {`000000000009"`, `000000000001"`, "itself"},
		"a date that is none":                {`"2027-01-31"`, `"2027-02-31"`, "bestBeforeDate"},
		"master data of our own":             {`"cbvmda:lotNumber"`, `"lotNumber"`, "lotNumber"},
	} {
		if strings.Count(sound, tc.piece) == 0 {
			t.Fatalf("%s: there is no %s", name, tc.piece)
		}
		_, faults := epcistest.Check([]byte(strings.Replace(sound, tc.piece, tc.by, 1)))
		if !strings.Contains(strings.Join(faults, "\n"), tc.want) {
			t.Errorf("%s: %v", name, faults)
		}
	}
}
