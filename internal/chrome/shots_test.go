package chrome

import (
	"bytes"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestShotsTakesEachPageInEachSizeAndTellsWhatIsWrong(t *testing.T) {
	t.Parallel()
	out := t.TempDir()
	var said bytes.Buffer
	err := Shots{URL: workshop(t), Login: "/form", Paths: []string{"/next", "/wide", "/bad", "/nowhere"}, Out: out, Dark: true}.Take(&said)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"next", "wide", "bad", "nowhere"} {
		for _, size := range Sizes {
			f, err := os.Open(filepath.Join(out, shotName("/"+path, size, true)))
			if err != nil {
				t.Fatal(err)
			}
			got, err := png.DecodeConfig(f)
			_ = f.Close()
			if err != nil || got.Width != size[0] || got.Height < size[1] {
				t.Errorf("%s at %v: %d by %d, %v", path, size, got.Width, got.Height, err)
			}
		}
	}
	for name, want := range map[string]string{
		"the sign-in":           `sign-in  "Weighing"`,
		"an overflow":           "is 518 px wider than its window of 390 px",
		"a console error":       "console: from the console 7",
		"a status":              "status 404",
		"what the picture is":   `next-dark-390x844.png  "Next"`,
		"a policy's own report": "inline style",
	} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("%s: no %q in:\n%s", name, want, said.String())
		}
	}
	if n := strings.Count(said.String(), "wider than"); n != 2 {
		t.Errorf("%d overflows told, want those of 820 and 390 px:\n%s", n, said.String())
	}
}

func TestAShotIsNamedAfterItsPage(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, path string
		dark       bool
		want       string
	}{
		{"the first page", "/", false, "home-390x844.png"},
		{"a code", "/batches/OB-26305-01S", false, "batches-OB-26305-01S-390x844.png"},
		{"a query", "/trace?lot=L 1&x=../..", false, "trace-lot-L-1-x-390x844.png"},
		{"dark", "/trace", true, "trace-dark-390x844.png"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if got := shotName(c.path, [2]int{390, 844}, c.dark); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestABrowserIsFoundOrTheErrorSaysHowToGetOne(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, variable string
		there          []string
		want, err      string
	}{
		{"the variable wins", "/opt/c", []string{"/opt/c", "chromium"}, "/opt/c", ""},
		{"a variable that leads nowhere is not passed over", "/opt/c", []string{"chromium"}, "", `STILLROOM_CHROMIUM is "/opt/c"`},
		{"the first of the usual names", "", []string{"google-chrome", "chromium-browser"}, "chromium-browser", ""},
		{"one without windows before the whole of it", "", []string{"chromium", "chromium-headless-shell"}, "chromium-headless-shell", ""},
		{"none", "", nil, "", InstallLine},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got, err := find(c.variable, browsers, func(name string) (string, error) {
				if slices.Contains(c.there, name) {
					return name, nil
				}
				return "", os.ErrNotExist
			})
			if got != c.want || (err != nil) != (c.err != "") || (err != nil && !strings.Contains(err.Error(), c.err)) {
				t.Errorf("got %q, %v", got, err)
			}
		})
	}
}
