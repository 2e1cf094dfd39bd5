package api_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func (c *contract) post(body string) reply {
	return c.ask(question{method: "POST", path: "/api/v1/climate-readings", token: c.token, body: body, head: map[string]string{"Content-Type": "application/json; charset=utf-8"}})
}

func stored(t *testing.T, a reply) [2]int {
	t.Helper()
	var got map[string]int
	if err := json.Unmarshal([]byte(a.want("stored", http.StatusOK).body), &got); err != nil || len(got) != 2 {
		t.Fatalf("%v: %s", err, a.body)
	}
	return [2]int{got["stored"], got["same"]}
}

const oneReading = `{"place": "Curing room", "taken_at": "2026-03-14T09:30:00Z", "temperature_c": 19.50, "humidity_pct": 52}`

func TestAReadingPostedTwiceIsStoredOnce(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	elsewhere := `{"place": "Curing room", "taken_at": "2026-03-14T10:30:00.000+01:00", "temperature_c": 1.95e1, "humidity_pct": 52.0}`
	next := `{"place": "Curing room", "taken_at": "2026-03-14T09:31:00Z", "temperature_c": -3.25, "humidity_pct": 0}`
	for _, step := range []struct {
		what, body string
		want       [2]int
	}{
		{"nothing", `[]`, [2]int{0, 0}},
		{"first, twice in a list", `[` + oneReading + `,` + oneReading + `]`, [2]int{1, 1}},
		{"again", `[` + oneReading + `]`, [2]int{0, 1}},
		{"said in another way, and a new one", `[` + elsewhere + `,` + next + `]`, [2]int{1, 1}},
	} {
		if diff := cmp.Diff(step.want, stored(t, c.post(step.body))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", step.what, diff)
		}
	}
	other := strings.Replace(oneReading, "19.50", "19.51", 1)
	p := c.post(`[`+next+`,`+other+`]`).want("another value", http.StatusConflict).problem()
	if p.at() != "[1]" || !strings.Contains(p.Errors[0].Message, "19.5 °C and 52 % for Curing room at 2026-03-14T09:30:00Z") {
		t.Errorf("the conflict: %+v", p)
	}
	p = c.post(`[`+strings.Replace(next, "31", "32", 1)+`,`+strings.Replace(strings.Replace(next, "31", "32", 1), "-3.25", "4", 1)+`]`).want("against itself", http.StatusConflict).problem()
	if p.at() != "[1]" {
		t.Errorf("against itself: %+v", p)
	}
	if got := stored(t, c.post(`[`+strings.Replace(next, "31", "32", 1)+`]`)); got != [2]int{1, 0} {
		t.Errorf("after the refusals: %v", got)
	}
}

func TestWhatIsNoReadingIsToldByItsPlaceInTheList(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	with := func(old, now string) string {
		return `[` + oneReading + `,` + strings.Replace(oneReading, old, now, 1) + `]`
	}
	for name, tc := range map[string]struct{ body, at, says string }{
		"no body":             {"", "", "the body is empty"},
		"not JSON":            {"place,taken_at", "", "goes wrong"},
		"cut off":             {`[` + oneReading, "", "breaks off"},
		"null":                {"null", "", "it is null"},
		"an object":           {oneReading, "", "JSON object"},
		"two lists":           {"[] []", "", "something follows"},
		"broken UTF-8":        {with("Curing", "Cur\xff"), "", "not UTF-8"},
		"a NUL":               {with("Curing", `Cur\u0000`), "[1].place", "NUL"},
		"a list in it":        {`[[]]`, "[0]", "no object"},
		"a null in it":        {`[null]`, "[0]", "no object"},
		"an empty object":     {`[{}]`, "[0].place [0].taken_at [0].temperature_c [0].humidity_pct", "is missing"},
		"a field too many":    {with(`{`, `{"pressure": 1013, `), "[1]", `"pressure"`},
		"an empty place":      {with("Curing room", ""), "[1].place", "empty"},
		"a place too long":    {with("Curing room", strings.Repeat("x", 81)), "[1].place", "80"},
		"a place that counts": {with(`"Curing room"`, "7"), "[1].place", "has to be text"},
		"no moment":           {with("2026-03-14T09:30:00Z", "yesterday"), "[1].taken_at", "2026-03-14T09:30:00Z"},
		"no offset":           {with("09:30:00Z", "09:30:00"), "[1].taken_at", "offset"},
		"no such day":         {with("03-14", "02-30"), "[1].taken_at", "no such moment"},
		"too cold":            {with("19.50", "-45.1"), "[1].temperature_c", "-45 or more"},
		"too hot":             {with("19.50", "80.01"), "[1].temperature_c", "80 or less"},
		"quoted":              {with("19.50", `"19.5"`), "[1].temperature_c", "without quotes"},
		"true":                {with("19.50", `true`), "[1].temperature_c", "a number"},
		"a huge number":       {with("19.50", `1e999999999`), "[1].temperature_c", "too large"},
		"a tiny number":       {with("19.50", `1e-999999999`), "[1].temperature_c", "too fine"},
		"above all air":       {with(" 52", " 100.5"), "[1].humidity_pct", "100 or less"},
		"below all air":       {with(" 52", " -1"), "[1].humidity_pct", "0 or more"},
	} {
		p := c.post(tc.body).want(name, http.StatusUnprocessableEntity).problem()
		said := p.Detail
		if tc.at != "" && len(p.Errors) > 0 {
			said = p.Errors[0].Message
		}
		if p.at() != tc.at || !strings.Contains(said, tc.says) {
			t.Errorf("%s: at %q %q, want at %q %q", name, p.at(), said, tc.at, tc.says)
		}
	}
	if got := stored(t, c.post(`[`+oneReading+`]`)); got != [2]int{1, 0} {
		t.Errorf("something was stored: %v", got)
	}
}

func TestAListHasItsMost(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	list := func(n int, humidity string) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `,{"place":"Room","taken_at":"2026-03-%02dT%02d:%02d:%02dZ","temperature_c":20,"humidity_pct":%s}`, 1+i/86400, i/3600%24, i/60%60, i%60, humidity)
		}
		return "[" + b.String()[1:] + "]"
	}
	if p := c.post(list(10_001, "50")).want("one too many", http.StatusUnprocessableEntity).problem(); !strings.Contains(p.Detail, "10000 are the most") {
		t.Errorf("one too many: %s", p.Detail)
	}
	if got := stored(t, c.post(list(10_000, "50"))); got != [2]int{10_000, 0} {
		t.Errorf("the most: %v", got)
	}
	if p := c.post(list(10_000, "101")).want("all wrong", http.StatusUnprocessableEntity).problem(); len(p.Errors) != 1000 || p.More != 9000 {
		t.Errorf("all wrong: %d told, %d more", len(p.Errors), p.More)
	}
	if p := c.post(list(10_000, "51")).want("all others", http.StatusConflict).problem(); len(p.Errors) != 100 {
		t.Errorf("all others: %d told", len(p.Errors))
	}
	c.post("["+strings.Repeat(" ", 4<<20)+"]").want("too large", http.StatusRequestEntityTooLarge)
}

func TestAReadingIsSentAsJSON(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	for _, kind := range []string{"", "text/plain", "application/x-www-form-urlencoded", "application/jsonp", "application/json;;"} {
		head := map[string]string{}
		if kind != "" {
			head["Content-Type"] = kind
		}
		c.ask(question{method: "POST", path: "/api/v1/climate-readings", token: c.token, body: "[]", head: head}).want(kind, http.StatusUnsupportedMediaType)
	}
}
