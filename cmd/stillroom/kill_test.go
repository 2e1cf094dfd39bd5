package main

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// tablets send deliveries without a pause, each again until it is answered, under the key that it was drawn with.
type tablets struct {
	base   string
	client *http.Client
	ending chan struct{}
	hands  sync.WaitGroup

	mu    sync.Mutex
	kept  map[string]string // the supplier's lot number of each delivery, and the page that its answer led to
	tries map[string]int    // statuses; "none" for no answer
}

// What was answered is in the book afterwards, once, whichever of the two programs is killed while four tablets work.
func TestWhatWasAnsweredIsInTheBookOnceAfterAKill(t *testing.T) {
	t.Parallel()
	data := folder(t)
	s := serve(t, nil, "--data", data)
	c := registered(t, s)
	if got := post(t, c, s.base+"/materials/new", map[string]string{"entry_key": uuid.NewString(), "name": "Oat oil", "code": "OO", "kind": "raw", "unit": "g", "tracked": "on"}); got != http.StatusSeeOther {
		t.Fatalf("the material answered %d", got)
	}
	w := &tablets{base: s.base, client: c, ending: make(chan struct{}), kept: map[string]string{}, tries: map[string]int{}}
	for n := range 4 {
		w.hands.Go(func() { w.work(fmt.Sprintf("T%d", n)) })
	}
	ended := sync.OnceFunc(func() { close(w.ending); w.hands.Wait() })
	t.Cleanup(ended)

	w.more(t, 20)
	killPostgreSQL(t, data)
	w.more(t, 20)
	check(t, s.cmd.Process.Kill())
	<-s.done
	again := start(t, nil, "serve", "--addr", strings.TrimPrefix(s.base, "http://"), "--data", data)
	w.more(t, 20)
	killPostgreSQL(t, data)
	w.more(t, 20)
	ended()
	t.Logf("%d deliveries; answers %v", len(w.kept), w.tries)
	if w.tries["none"] == 0 || w.tries["503"] == 0 {
		t.Errorf("nothing was cut off: %v", w.tries)
	}
	if w.tries["500"] > 0 {
		t.Errorf("a database that is away is no defect: %v", w.tries)
	}

	got := run(t, nil, "database-url", "--data", data)
	wantStatus(t, "database-url", got, 0)
	conn, err := pgx.Connect(t.Context(), strings.TrimSpace(got.out))
	check(t, err)
	defer conn.Close(context.Background())
	rows, err := conn.Query(t.Context(), `SELECT supplier_lot, string_agg('/lots/' || code, ' ') FROM material_lot GROUP BY supplier_lot`)
	check(t, err)
	stored := map[string]string{}
	var lot, pages string
	_, err = pgx.ForEachRow(rows, []any{&lot, &pages}, func() error { stored[lot] = pages; return nil })
	check(t, err)
	if diff := cmp.Diff(w.kept, stored); diff != "" {
		t.Errorf("answered and stored differ: %s", diff)
	}
	if unique := slices.Compact(slices.Sorted(maps.Values(stored))); len(unique) != len(stored) {
		t.Errorf("%d lots share %d codes", len(stored), len(unique))
	}
	if got := again.end(syscall.SIGTERM); got != 0 {
		t.Errorf("afterwards: exit status %d", got)
	}
	wantStatus(t, "verify", run(t, nil, "verify", "--data", data), 0)
}

func killPostgreSQL(t *testing.T, data string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(data, "pg", "postmaster.pid"))
	check(t, err)
	pid, err := strconv.Atoi(strings.Fields(string(text))[0])
	check(t, err)
	check(t, syscall.Kill(pid, syscall.SIGKILL))
}

// work begins no further delivery once it is told to end, and finishes the one in hand.
func (w *tablets) work(name string) {
	for n := 0; ; n++ {
		select {
		case <-w.ending:
			return
		default:
		}
		lot := fmt.Sprintf("%s-%d", name, n)
		form := url.Values{"entry_key": {uuid.NewString()}, "material": {"OO"}, "quantity": {"100"}, "received_on": {"2026-03-02"}, "supplier_lot": {lot}}
		for deadline := time.Now().Add(patience); time.Now().Before(deadline); {
			status, page := w.send(form)
			w.mu.Lock()
			w.tries[status]++
			if status == "303" {
				w.kept[lot] = page
			}
			w.mu.Unlock()
			if status == "303" {
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
}

func (w *tablets) send(form url.Values) (status, page string) {
	res, err := w.client.PostForm(w.base+"/lots/new", form)
	if err != nil {
		return "none", ""
	}
	res.Body.Close()
	return strconv.Itoa(res.StatusCode), res.Header.Get("Location")
}

// more waits until so many more deliveries were answered.
func (w *tablets) more(t *testing.T, n int) {
	t.Helper()
	count := func() int {
		w.mu.Lock()
		defer w.mu.Unlock()
		return len(w.kept)
	}
	want := count() + n
	for deadline := time.Now().Add(patience); count() < want; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			w.mu.Lock()
			defer w.mu.Unlock()
			t.Fatalf("%d of %d deliveries within %v: %v", len(w.kept), want, patience, w.tries)
		}
	}
}
