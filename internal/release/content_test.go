package release_test

import (
	"encoding/hex"
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/release"
)

func TestCanonicalDependsOnTheContentAlone(t *testing.T) {
	t.Parallel()
	type inner struct {
		Zeta  string `json:"zeta"`
		Alpha any    `json:"alpha"`
	}
	for _, tt := range []struct {
		name string
		v    any
		want string
	}{
		{"nothing", nil, `null`},
		{"fields in byte order at every level", inner{"z", inner{"y", 1}}, `{"alpha":{"alpha":1,"zeta":"y"},"zeta":"z"}`},
		{"a map like the same struct", map[string]any{"zeta": "z", "alpha": 1}, `{"alpha":1,"zeta":"z"}`},
		{"capitals before small letters", map[string]int{"b": 1, "B": 2, "a": 3}, `{"B":2,"a":3,"b":1}`},
		{"nothing escaped for HTML", "Oil & <lye>", `"Oil & <lye>"`},
		{"letters as they are", "crème à l'öl", `"crème à l'öl"`},
		{"quotes and lines escaped", "a \"b\"\n", `"a \"b\"\n"`},
		{"a list keeps its order", []int{3, 1, 2}, `[3,1,2]`},
		{"a decimal keeps its digits", dec("803.2000000000000000001"), `"803.2000000000000000001"`},
		{"a long number keeps its digits", json.Number("12345678901234567890.12"), `12345678901234567890.12`},
		{"raw JSON loses its blanks", json.RawMessage(`{ "b" : 1 , "a" : [ ] }`), `{"a":[],"b":1}`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, err := release.Canonical(tt.v)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, string(got)); diff != "" {
				t.Errorf("Canonical (-want +got):\n%s", diff)
			}
		})
	}
}

func TestWhatHasNoJSONIsRefused(t *testing.T) {
	t.Parallel()
	for name, v := range map[string]any{
		"not a number": math.NaN(), "without end": math.Inf(1), "a channel": make(chan int), "a function": func() {},
	} {
		if got, err := release.Canonical(v); err == nil {
			t.Errorf("%s: Canonical = %s, want an error", name, got)
		}
	}
}

func TestCanonicalOfCanonicalIsItself(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.MapOf(rapid.String(), rapid.SliceOf(rapid.String())).Draw(t, "content")
		once, err := release.Canonical(v)
		if err != nil {
			t.Fatal(err)
		}
		twice, err := release.Canonical(json.RawMessage(once))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(once), string(twice)); diff != "" {
			t.Fatalf("(-once +twice):\n%s", diff)
		}
	})
}

// The value is the first example of FIPS 180-2, appendix B.1 (from memory): SHA-256 of "abc".
func TestHashIsSHA256(t *testing.T) {
	t.Parallel()
	got := release.Hash([]byte("abc"))
	const want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	if diff := cmp.Diff(want, hex.EncodeToString(got[:])); diff != "" {
		t.Errorf("Hash (-want +got):\n%s", diff)
	}
}

func signed() release.Content {
	return release.Content{
		Workshop: "0198", Subject: release.Packing, Code: "QM-26073-01Z", Meaning: "released", Name: "Ada Quill",
		At: start, Record: map[string]any{"units_good": 47}, Listed: []release.Condition{{Key: "lots", State: release.OK}},
	}
}

func TestASignatureIsBrokenByAnyChangeAndFitsNoOtherRecord(t *testing.T) {
	t.Parallel()
	hash := func(c release.Content) [32]byte {
		b, err := c.Bytes()
		if err != nil {
			t.Error(err)
		}
		return release.Hash(b)
	}
	seen := map[[32]byte]string{hash(signed()): "as signed"}
	for name, change := range map[string]func(*release.Content){
		"another workshop":  func(c *release.Content) { c.Workshop = "0199" },
		"another subject":   func(c *release.Content) { c.Subject = release.Bulk },
		"another code":      func(c *release.Content) { c.Code = "QM-26073-02X" },
		"another meaning":   func(c *release.Content) { c.Meaning = "checked" },
		"another name":      func(c *release.Content) { c.Name = "Bea Moor" },
		"another time":      func(c *release.Content) { c.At = c.At.Add(time.Microsecond) },
		"another count":     func(c *release.Content) { c.Record = map[string]any{"units_good": 48} },
		"another fact":      func(c *release.Content) { c.Record = map[string]any{"units_good": 47, "note": ""} },
		"another condition": func(c *release.Content) { c.Listed[0].State = release.Warn },
		"no conditions":     func(c *release.Content) { c.Listed = nil },
	} {
		c := signed()
		change(&c)
		h := hash(c)
		if other, twice := seen[h]; twice {
			t.Errorf("%s hashes like %s", name, other)
		}
		seen[h] = name
	}
}

func TestWhatTheDatabaseGivesBackHashesTheSame(t *testing.T) {
	t.Parallel()
	stored := signed()
	typed := signed()
	// PostgreSQL keeps microseconds, and gives them back in whatever zone the connection has.
	typed.At = start.Add(123456*time.Microsecond + 789*time.Nanosecond)
	stored.At = start.Add(123456 * time.Microsecond).In(time.FixedZone("workshop", 3600))
	a, errA := typed.Bytes()
	b, errB := stored.Bytes()
	if errA != nil || errB != nil {
		t.Fatal(errA, errB)
	}
	want := `{"at":"2026-03-14T10:00:00.123456Z","code":"QM-26073-01Z","conditions":[{"key":"lots","name":"","state":"ok",` +
		`"words":""}],"meaning":"released","name":"Ada Quill","record":{"units_good":47},"subject":"packing","workshop":"0198"}`
	if diff := cmp.Diff(want, string(a)); diff != "" {
		t.Errorf("as signed (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(want, string(b)); diff != "" {
		t.Errorf("as stored (-want +got):\n%s", diff)
	}
}
