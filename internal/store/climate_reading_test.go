package store_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// said is a reading so many minutes after the session's moment.
func said(place string, minutes int, c, pct string) store.Reading {
	return store.Reading{Place: place, TakenAt: sessionNow.Add(time.Duration(minutes) * time.Minute), TemperatureC: decimal.RequireFromString(c), HumidityPct: decimal.RequireFromString(pct)}
}

func TestAReadingIsStoredOnceHoweverOftenItIsSent(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	list := []store.Reading{said("Curing room", 0, "19.5", "52"), said("Still room", 0, "21.40", "47.5"), said("Curing room", 1, "19.6", "52"), said("Still room", 0, "21.4", "47.50")}
	for i, want := range [][2]int{{3, 1}, {0, 4}} {
		stored, same, err := h.AddReadings(t.Context(), h.owner.Workshop, list)
		if err != nil || stored != want[0] || same != want[1] {
			t.Errorf("sent %d times: %d stored, %d same, %v; want %v", i+1, stored, same, err, want)
		}
	}
	got := tokenRows(t, h, `SELECT place || ' ' || to_char(taken_at AT TIME ZONE 'UTC', 'HH24:MI') || ' ' || temperature_c || ' ' || humidity_pct FROM climate_reading ORDER BY 1`)
	if diff := cmp.Diff([]string{"Curing room 09:30 19.5 52", "Curing room 09:31 19.6 52", "Still room 09:30 21.4 47.5"}, got); diff != "" {
		t.Errorf("in the book (-want +got):\n%s", diff)
	}
	if stored, same, err := h.AddReadings(t.Context(), h.owner.Workshop, nil); stored != 0 || same != 0 || err != nil {
		t.Errorf("nothing: %d, %d, %v", stored, same, err)
	}
}

func TestAnotherReadingOfTheSameMomentIsAConflictAndStoresNothing(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	if _, _, err := h.AddReadings(t.Context(), h.owner.Workshop, []store.Reading{said("Still room", 0, "21.4", "47.5")}); err != nil {
		t.Fatal(err)
	}
	for name, tc := range map[string]struct {
		list []store.Reading
		want []string
	}{
		"with the book":   {[]store.Reading{said("Still room", 5, "20", "40"), said("Still room", 0, "21.5", "47.5")}, []string{"[1]", "21.4 °C and 47.5 %"}},
		"in the list":     {[]store.Reading{said("Still room", 6, "20", "40"), said("Still room", 6, "20", "41")}, []string{"[1]", "[0] is of the same place and moment"}},
		"humidity alone":  {[]store.Reading{said("Still room", 0, "21.4", "47.6")}, []string{"[0]", "the book has"}},
		"below the clock": {[]store.Reading{{Place: "Still room", TakenAt: sessionNow.Add(300 * time.Nanosecond), TemperatureC: decimal.Zero, HumidityPct: decimal.Zero}}, []string{"[0]", "the book has"}},
	} {
		_, _, err := h.AddReadings(t.Context(), h.owner.Workshop, tc.list)
		sessionWantKind(t, name, err, fault.Conflict)
		for _, want := range tc.want {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v lacks %q", name, err, want)
			}
		}
	}
	if got := tokenRows(t, h, `SELECT temperature_c::text FROM climate_reading`); !cmp.Equal(got, []string{"21.4"}) {
		t.Errorf("in the book: %v", got)
	}
}

func TestLoggersThatSendTheSameAtOnceStoreItOnce(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	var wg sync.WaitGroup
	var mu sync.Mutex
	total := 0
	for n := range 6 {
		wg.Go(func() {
			var list []store.Reading
			for i := range 200 {
				if n%2 == 1 {
					i = 199 - i // from the other end
				}
				list = append(list, said(fmt.Sprint("Room ", i%7), i, "20", "50"))
			}
			stored, _, err := h.AddReadings(t.Context(), h.owner.Workshop, list)
			if err != nil {
				t.Error(err)
			}
			mu.Lock()
			defer mu.Unlock()
			total += stored
		})
	}
	wg.Wait()
	if total != 200 {
		t.Errorf("%d stored by all together, want 200", total)
	}
}
