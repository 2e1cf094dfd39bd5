package static

import (
	"compress/gzip"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
)

func serve(method, url, encoding string) *http.Response {
	r := httptest.NewRequest(method, url, nil)
	r.Header.Set("Accept-Encoding", encoding)
	w := httptest.NewRecorder()
	Handler().ServeHTTP(w, r)
	return w.Result()
}

func body(t *testing.T, r *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestEachFileIsServedUnderItsHashForEver(t *testing.T) {
	t.Parallel()
	for name, kind := range map[string]string{
		"stillroom.css":              "text/css; charset=utf-8",
		"stillroom.js":               "text/javascript; charset=utf-8",
		"outbox.js":                  "text/javascript; charset=utf-8",
		"number.js":                  "text/javascript; charset=utf-8",
		"favicon.svg":                "image/svg+xml",
		"fonts/next-latin.woff2":     "font/woff2",
		"fonts/next-latin-ext.woff2": "font/woff2",
		"fonts/mono-latin.woff2":     "font/woff2",
		"fonts/mono-latin-ext.woff2": "font/woff2",
		"fonts/OFL-next.txt":         "text/plain; charset=utf-8",
		"fonts/OFL-mono.txt":         "text/plain; charset=utf-8",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			url := Path(name)
			if !regexp.MustCompile(`^/static/[a-zA-Z/-]+\.[0-9a-f]{16}\.[a-z0-9]+$`).MatchString(url) {
				t.Errorf("the URL is %s", url)
			}
			r := serve("GET", url, "")
			got := map[string]string{"status": r.Status}
			for _, h := range []string{"Content-Type", "Cache-Control", "X-Content-Type-Options", "Content-Encoding"} {
				got[h] = r.Header.Get(h)
			}
			want := map[string]string{"status": "200 OK", "Content-Type": kind, "X-Content-Type-Options": "nosniff",
				"Cache-Control": "public, max-age=31536000, immutable", "Content-Encoding": ""}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
			if body(t, r) == "" {
				t.Error("it is empty")
			}
		})
	}
}

func TestFilesReferToEachOtherByHash(t *testing.T) {
	t.Parallel()
	for file, wants := range map[string][]string{
		"stillroom.css": {"fonts/next-latin.woff2", "fonts/next-latin-ext.woff2", "fonts/mono-latin.woff2", "fonts/mono-latin-ext.woff2"},
		"stillroom.js":  {"outbox.js", "number.js"},
	} {
		text := body(t, serve("GET", Path(file), ""))
		for _, want := range wants {
			if hashed := strings.TrimPrefix(Path(want), Prefix); !strings.Contains(text, hashed) {
				t.Errorf("%s does not refer to %s", file, hashed)
			}
			if strings.Contains(text, `"`+want) || strings.Contains(text, "./"+want) {
				t.Errorf("%s still refers to %s without its hash", file, want)
			}
		}
	}
}

func TestAHashCoversWhatTheFilePullsIn(t *testing.T) {
	t.Parallel()
	hash := func(font string) string {
		got, err := load(fstest.MapFS{
			"a.css": {Data: []byte(`@font-face { src: url("f/x.woff2") }`)}, "f/x.woff2": {Data: []byte(font)},
		})
		if err != nil {
			t.Fatal(err)
		}
		return got.byName["a.css"].hash
	}
	if hash("one") == hash("another") {
		t.Error("another font did not change the style sheet's hash")
	}
}

func TestABrokenFolderStopsTheBuild(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		files fstest.MapFS
		want  string
	}{
		"a reference to nothing": {fstest.MapFS{"a.css": {Data: []byte(`x { src: url("no.woff2") }`)}}, `a.css refers to "no.woff2"`},
		"a circle": {fstest.MapFS{"a.js": {Data: []byte(`import "./b.js"`)}, "b.js": {Data: []byte(`import "./a.js"`)}},
			"refers to itself in a circle"},
		"a kind without a type": {fstest.MapFS{"a.exe": {Data: []byte("x")}}, `no content type for ".exe"`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if _, err := load(tc.files); err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got %v, want %q in it", err, tc.want)
			}
		})
	}
}

func TestWhatIsNoCurrentFileIsNeverCached(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		method, url string
		status      int
		cache       string
	}{
		"without a hash":           {"GET", "/static/stillroom.css", 200, "no-cache"},
		"another build's hash":     {"GET", "/static/stillroom.0123456789abcdef.css", 200, "no-store"},
		"the folder":               {"GET", "/static/", 404, "no-store"},
		"a folder within":          {"GET", "/static/fonts", 404, "no-store"},
		"a folder within, slashed": {"GET", "/static/fonts/", 404, "no-store"},
		"an unknown file":          {"GET", "/static/none.css", 404, "no-store"},
		"the source":               {"GET", "/static/static.go", 404, "no-store"},
		"out of the folder":        {"GET", "/static/../go.mod", 404, "no-store"},
		"a write":                  {"POST", "/static/stillroom.css", 405, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := serve(tc.method, tc.url, "")
			if r.StatusCode != tc.status || r.Header.Get("Cache-Control") != tc.cache {
				t.Errorf("got %d and %q, want %d and %q", r.StatusCode, r.Header.Get("Cache-Control"), tc.status, tc.cache)
			}
		})
	}
}

func TestTextIsPackedForWhoTakesIt(t *testing.T) {
	t.Parallel()
	plain := body(t, serve("GET", Path("stillroom.css"), ""))
	for encoding, packed := range map[string]bool{
		"gzip": true, "br, gzip;q=0.8": true, "GZIP;q=1.0": true, "": false, "br": false, "gzip;q=0": false, "gzip; q=0.0": false,
	} {
		r := serve("GET", Path("stillroom.css"), encoding)
		if got := r.Header.Get("Content-Encoding") == "gzip"; got != packed {
			t.Errorf("%q: packed is %t", encoding, got)
			continue
		}
		if !packed {
			continue
		}
		unpacked, err := gzip.NewReader(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(unpacked)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(plain, string(text)); diff != "" {
			t.Error(diff)
		}
	}
	if got := serve("GET", Path("fonts/next-latin.woff2"), "gzip").Header.Get("Content-Encoding"); got != "" {
		t.Errorf("a font is packed twice: %s", got)
	}
}

func TestAFileThatIsThereIsNotSentAgain(t *testing.T) {
	t.Parallel()
	first := serve("GET", "/static/stillroom.css", "")
	r := httptest.NewRequest("GET", "/static/stillroom.css", nil)
	r.Header.Set("If-None-Match", first.Header.Get("ETag"))
	w := httptest.NewRecorder()
	Handler().ServeHTTP(w, r)
	if w.Code != http.StatusNotModified {
		t.Errorf("got %d", w.Code)
	}
}

func TestAnUnknownNameIsADefect(t *testing.T) {
	t.Parallel()
	defer func() {
		if recover() == nil {
			t.Error("Path gave a URL for a file that is not there")
		}
	}()
	Path("none.css")
}

// The ratios are those of WCAG 2.2: 1.4.3 asks 4.5 of text, 1.4.6 asks 7, 1.4.11 asks 3 of lines that mean
// something. The formula is its definition of contrast ratio, from memory.
func TestColoursCanBeReadInBothSchemes(t *testing.T) {
	t.Parallel()
	source := body(t, serve("GET", "/static/stillroom.css", ""))
	light, bench := tokens(t, source, ":root {\n  --paper"), tokens(t, source, ".at-bench {\n  --ink-2")
	dark, darkBench := tokens(t, source, "  :root {\n    --paper"), tokens(t, source, "  .at-bench {\n    --ink-2")

	texts := [][2]string{
		{"ink", "paper"}, {"ink", "sheet"}, {"ink-2", "paper"}, {"ink-2", "sheet"}, {"sheet", "ink"}, {"ink", "lot"},
		{"act", "paper"}, {"act", "sheet"}, {"act-ink", "act"}, {"ink", "act-soft"}, {"ink-2", "act-soft"},
		{"good", "paper"}, {"good", "sheet"}, {"care", "paper"}, {"care", "sheet"}, {"stop", "paper"}, {"stop", "sheet"},
		{"ink", "good-soft"}, {"ink", "care-soft"}, {"ink", "stop-soft"}, {"stop", "stop-soft"}, {"act", "care-soft"},
		{"ink-2", "care-soft"}, {"act", "stop-soft"},
	}
	boundaries := [][2]string{{"rule-strong", "paper"}, {"rule-strong", "sheet"}, {"ink", "paper"}, {"act", "paper"}, {"stop", "paper"}, {"focus", "ink"}}
	for name, scheme := range map[string]struct {
		colours map[string]string
		text    float64
		more    [][2]string
	}{
		"light":           {light, 4.5, nil},
		"dark":            {dark, 4.5, nil},
		"light, at bench": {over(light, bench), 7, [][2]string{{"rule", "paper"}, {"rule", "sheet"}}},
		"dark, at bench":  {over(dark, over(onlyIn(dark, bench), darkBench)), 7, [][2]string{{"rule", "paper"}, {"rule", "sheet"}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			check := func(pairs [][2]string, least float64) {
				for _, pair := range pairs {
					if got := contrast(t, scheme.colours[pair[0]], scheme.colours[pair[1]]); got < least {
						t.Errorf("%s on %s is %.2f, want %.1f", pair[0], pair[1], got, least)
					}
				}
			}
			check(texts, scheme.text)
			check(append(boundaries[:len(boundaries):len(boundaries)], scheme.more...), 3)
		})
	}
}

var token = regexp.MustCompile(`--([a-z0-9-]+): (#[0-9a-f]{6});`)

// tokens reads the colours of the block that begins with start.
func tokens(t *testing.T, source, start string) map[string]string {
	t.Helper()
	_, block, ok := strings.Cut("\n"+source, "\n"+start)
	if !ok {
		t.Fatalf("no block %q in the style sheet", start)
	}
	block, _, _ = strings.Cut(start+block, "}")
	found := map[string]string{}
	for _, m := range token.FindAllStringSubmatch(block, -1) {
		found[m[1]] = m[2]
	}
	if len(found) < 6 {
		t.Fatalf("only %d colours in %q", len(found), start)
	}
	return found
}

func over(below, above map[string]string) map[string]string {
	all := map[string]string{}
	for _, layer := range []map[string]string{below, above} {
		for name, colour := range layer {
			all[name] = colour
		}
	}
	return all
}

// onlyIn is what the light bench would set and the dark one must set anew, since both rules reach the same element.
func onlyIn(below, above map[string]string) map[string]string {
	set := map[string]string{}
	for name := range below {
		if colour, ok := above[name]; ok {
			set[name] = colour
		}
	}
	return set
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	la, lb := luminance(t, a), luminance(t, b)
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
}

func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	var sum float64
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(colour[1+2*i:3+2*i], 16, 8)
		if err != nil {
			t.Fatalf("%q: %v", colour, err)
		}
		c := float64(v) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

func TestContrastIsThatOfThePublishedExamples(t *testing.T) {
	t.Parallel()
	// Black on white is 21 by definition; #767676 is the known lightest grey that passes AA on white (from memory).
	for pair, want := range map[[2]string]float64{{"#000000", "#ffffff"}: 21, {"#767676", "#ffffff"}: 4.54} {
		if got := contrast(t, pair[0], pair[1]); math.Abs(got-want) > 0.005 {
			t.Errorf("%v: got %.3f, want %.2f", pair, got, want)
		}
	}
}
