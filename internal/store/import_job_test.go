package store_test

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

const twoSuppliers = "code,name\nBRACKEN,Bracken & Fenn\nSALT,\"Salt, Ltd\"\n"

func (h house) kept(t *testing.T, name string, data []byte) store.ImportJobID {
	t.Helper()
	id, err := h.KeepImport(t.Context(), h.owner, store.NewImport{Key: uuid.New(), FileName: name}, bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func (h house) job(t *testing.T, id store.ImportJobID) store.ImportJob {
	t.Helper()
	j, err := h.ImportJob(t.Context(), h.owner.Workshop, id)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func (h house) wantSuppliers(t *testing.T, want int) {
	t.Helper()
	if got := h.count(t, `SELECT count(*) FROM supplier`); got != want {
		t.Errorf("%d suppliers, want %d", got, want)
	}
}

func (h house) count(t *testing.T, query string) (n int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if err := conn.QueryRow(t.Context(), query).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestAnImportJobIsTakenByOneOfMany(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	id := h.kept(t, "suppliers.csv", []byte(twoSuppliers))
	together := func(take func() (store.ImportRun, error)) (runs []store.ImportRun) {
		var m sync.Mutex
		var all sync.WaitGroup
		for range 6 {
			all.Go(func() {
				run, err := take()
				m.Lock()
				defer m.Unlock()
				if err == nil {
					runs = append(runs, run)
				} else if !fault.Is(err, fault.Conflict) {
					t.Error(err)
				}
			})
		}
		all.Wait()
		return runs
	}
	look := together(func() (store.ImportRun, error) { return h.LookThrough(t.Context(), h.owner, id, "", false) })
	if len(look) != 1 {
		t.Fatalf("%d look it through at once", len(look))
	}
	if err := h.RunImport(t.Context(), look[0]); err != nil {
		t.Fatal(err)
	}
	h.wantSuppliers(t, 0)
	apply := together(func() (store.ImportRun, error) { return h.ApplyImport(t.Context(), h.owner, id) })
	if len(apply) != 1 {
		t.Fatalf("%d save it at once", len(apply))
	}
	if err := h.RunImport(t.Context(), apply[0]); err != nil {
		t.Fatal(err)
	}
	if j := h.job(t, id); j.State != "applied" || j.Report == nil || !j.Report.Saved {
		t.Errorf("the job is %s, %+v", j.State, j.Report)
	}
	h.wantSuppliers(t, 2)
}

func TestAFileInManyPiecesComesBackWhole(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	var b strings.Builder
	b.WriteString("code,name,address\n")
	long := strings.Repeat("Mill Lane ", 90)
	for n := range 700 {
		b.WriteString("S" + strings.Repeat("0", n%3) + uuid.NewString()[:8] + ",Supplier," + long + "\n")
	}
	id := h.kept(t, "suppliers.csv", []byte(b.String()))
	if n := h.count(t, `SELECT count(*) FROM import_chunk`); n != (b.Len()+256<<10-1)/(256<<10) || n < 3 {
		t.Errorf("%d bytes in %d pieces", b.Len(), n)
	}
	run, err := h.LookThrough(t.Context(), h.owner, id, "", false)
	if err == nil {
		err = h.RunImport(t.Context(), run)
	}
	if err != nil {
		t.Fatal(err)
	}
	if j := h.job(t, id); j.Faults != 0 || j.Report.Tables[0].New != 700 {
		t.Errorf("found %+v, %d faults", j.Report.Tables, j.Faults)
	}
}

// held keeps every import waiting until it is let go.
func (h house) held(t *testing.T) (letGo func()) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	if _, err := conn.Exec(t.Context(), `BEGIN; SELECT FROM workshop FOR UPDATE`); err != nil {
		t.Fatal(err)
	}
	return func() {
		if _, err := conn.Exec(t.Context(), `ROLLBACK`); err != nil {
			t.Error(err)
		}
	}
}

func ends(t *testing.T, ended <-chan error) {
	t.Helper()
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("the run goes on")
	}
}

func TestARunThatIsGivenUpEndsAndSavesNothing(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	id := h.kept(t, "suppliers.csv", []byte(twoSuppliers))
	run, err := h.LookThrough(t.Context(), h.owner, id, "", false)
	if err != nil {
		t.Fatal(err)
	}
	h.held(t)
	ended := make(chan error, 1)
	go func() { ended <- h.RunImport(t.Context(), run) }()
	if err := h.DropImport(t.Context(), h.owner, id); err != nil {
		t.Fatal(err)
	}
	ends(t, ended)
	if j := h.job(t, id); j.State != "dropped" || j.Report != nil {
		t.Errorf("the job is %s, %+v", j.State, j.Report)
	}
	if n := h.count(t, `SELECT count(*) FROM import_chunk`); n != 0 {
		t.Errorf("%d pieces are kept", n)
	}
}

func TestARunEndsWithTheProgramAndMayBeStartedAgain(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	id := h.kept(t, "suppliers.csv", []byte(twoSuppliers))
	run, err := h.LookThrough(t.Context(), h.owner, id, "", false)
	if err != nil {
		t.Fatal(err)
	}
	letGo := h.held(t)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- h.RunImport(ctx, run) }()
	time.Sleep(200 * time.Millisecond)
	stop()
	ends(t, ended)
	letGo()
	if j := h.job(t, id); j.State != "failed" || !strings.Contains(j.Words, "Nothing was saved; start it again.") {
		t.Errorf("the job is %s: %s", j.State, j.Words)
	}
	again, err := h.LookThrough(t.Context(), h.owner, id, "", false)
	if err == nil {
		err = h.RunImport(t.Context(), again)
	}
	if j := h.job(t, id); err != nil || j.State != "previewed" {
		t.Errorf("again: %s, %v", j.State, err)
	}
}

func TestARunThatFellSilentIsTakenOverAndWritesNothingAfterwards(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	id := h.kept(t, "suppliers.csv", []byte(twoSuppliers))
	first, err := h.LookThrough(t.Context(), h.owner, id, "", false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.LookThrough(t.Context(), h.owner, id, "", false); !fault.Is(err, fault.Conflict) {
		t.Errorf("while it is heard of: %v", err)
	}
	h.asOwner(t, `UPDATE import_job SET beat_at = beat_at - interval '61 seconds'`)
	if j := h.job(t, id); !j.Silent || j.Running() {
		t.Errorf("silent %v, running %v", j.Silent, j.Running())
	}
	second, err := h.LookThrough(t.Context(), h.owner, id, "", false)
	if err != nil {
		t.Fatal(err)
	}
	if err := h.RunImport(t.Context(), first); err != nil {
		t.Error(err)
	}
	if j := h.job(t, id); j.State != "previewing" || j.Report != nil {
		t.Errorf("the first wrote over the second: %s, %+v", j.State, j.Report)
	}
	if err := h.RunImport(t.Context(), second); err != nil {
		t.Error(err)
	}
	if j := h.job(t, id); j.State != "previewed" {
		t.Errorf("the second left it %s", j.State)
	}
}

func TestAFileIsNotKeptForLongerThanADay(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	old, saved := h.kept(t, "suppliers.csv", []byte(twoSuppliers)), h.kept(t, "materials.csv", []byte("code,name,kind,unit\n"))
	h.asOwner(t, `UPDATE import_job SET made_at = made_at - interval '25 hours' WHERE file_name = 'suppliers.csv'`)
	if _, err := h.LookThrough(t.Context(), h.owner, old, "", false); !fault.Is(err, fault.Conflict) {
		t.Errorf("looking an old one through: %v", err)
	}
	if !h.job(t, old).Expired {
		t.Error("it does not say that it is old")
	}
	h.kept(t, "customers.csv", []byte("code,name,kind\n"))
	if n := h.count(t, `SELECT count(DISTINCT job_id) FROM import_chunk`); n != 2 || h.job(t, old).State != "dropped" || h.job(t, saved).State != "waiting" {
		t.Errorf("the files of %d jobs are kept; the old one is %s, the other %s", n, h.job(t, old).State, h.job(t, saved).State)
	}
}

func TestAFileLargerThanIsTakenIsNotKept(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for name, tc := range map[string]struct {
		size int
		want fault.Kind
	}{"just as large": {1000, ""}, "a byte more": {1001, fault.TooLarge}, "nothing": {0, fault.Invalid}} {
		_, err := h.KeepImport(t.Context(), h.owner, store.NewImport{Key: uuid.New(), FileName: "book.csv", Most: 1000}, strings.NewReader(strings.Repeat("x", tc.size)))
		if (tc.want == "") != (err == nil) || tc.want != "" && !fault.Is(err, tc.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	torn := errors.New("the line broke")
	if _, err := h.KeepImport(t.Context(), h.owner, store.NewImport{Key: uuid.New(), FileName: "book.csv"}, brokenLine{torn}); !errors.Is(err, torn) {
		t.Errorf("a line that breaks: %v", err)
	}
	if n := h.count(t, `SELECT count(*) FROM import_job`); n != 1 {
		t.Errorf("%d jobs are kept, want the one that fits", n)
	}
}

type brokenLine struct{ err error }

func (b brokenLine) Read(p []byte) (int, error) { return copy(p, "code,"), b.err }
