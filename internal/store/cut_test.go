package store_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// cutTables are those that a packing which ends its batch writes to, in their order.
var cutTables = []string{"entry_key", "change", "packing", "reject", "packing_input", "stock_move", "control_reading", "deviation", "batch", "audit", "chain_link", "chain_head"}

// A packing is the longest entry there is: rows in a dozen tables. Wherever it breaks off, and however, nothing of it is
// left; sent again it is stored whole, once.
func TestAPackingThatIsCutOffAnywhereLeavesNothing(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	n := h.nine(code)
	n.Rejects = []store.NewReject{{Stage: "packing", Reason: "crack", Units: 1}}
	n.Good, n.YieldNote, n.Really = 60, "an old loaf cut in", store.Really{Yes: true, Reason: "counted twice"} // more than pressed, and more than there are wraps
	entry := store.Entry{Key: uuid.New()}
	owner, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	packOK(t, err)
	defer owner.Close(context.Background())
	run := func(sql string) {
		t.Helper()
		_, err := owner.Exec(t.Context(), sql)
		packOK(t, err)
	}
	for name, body := range map[string]string{
		"refused by the database": `RAISE EXCEPTION 'cut'`,
		"its connection killed":   `PERFORM pg_terminate_backend(pg_backend_pid())`,
		"nobody waits any more":   `PERFORM pg_sleep(30)`,
	} {
		run(`CREATE OR REPLACE FUNCTION cut() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN ` + body + `; RETURN NULL; END $$`)
		triggers := map[string]string{"at the commit": `CREATE CONSTRAINT TRIGGER cut AFTER INSERT ON change DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION cut()`}
		for _, table := range cutTables {
			triggers["at "+table] = `CREATE TRIGGER cut AFTER INSERT OR UPDATE ON ` + table + ` FOR EACH ROW EXECUTE FUNCTION cut()`
		}
		for at, trigger := range triggers {
			if name == "nobody waits any more" && at != "at the commit" && at != "at deviation" {
				continue // each waits, and two places are enough
			}
			if name == "its connection killed" && slices.Contains([]string{"at audit", "at chain_link", "at chain_head"}, at) {
				continue // written as the owner, who may not end the serving role's connection
			}
			before := cutCounts(t, owner)
			run(trigger)
			ctx, cancel := t.Context(), func() {}
			if name == "nobody waits any more" {
				ctx, cancel = context.WithTimeout(ctx, 300*time.Millisecond)
			}
			_, err := h.Pack(ctx, h.helper, entry, n)
			cancel()
			if err == nil || fault.As(err) != nil {
				t.Errorf("%s, %s: got %v, want a failure", name, at, err)
			}
			if name != "refused by the database" && !store.IsDown(err) && !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("%s, %s: %v is not seen as the database being away", name, at, err)
			}
			var table string
			packOK(t, owner.QueryRow(t.Context(), `SELECT tgrelid::regclass::text FROM pg_trigger WHERE tgname = 'cut'`).Scan(&table))
			run(`DROP TRIGGER cut ON ` + table)
			if diff := cmp.Diff(before, cutCounts(t, owner)); diff != "" {
				t.Errorf("%s, %s: something is left: %s", name, at, diff)
			}
		}
	}
	first, err := h.Pack(t.Context(), h.helper, entry, n)
	packOK(t, err)
	stored := cutCounts(t, owner)
	again, err := h.Pack(t.Context(), h.helper, entry, n)
	packOK(t, err)
	if diff := cmp.Diff(stored, cutCounts(t, owner)); first != again || diff != "" {
		t.Errorf("sent again it answers %q after %q: %s", again, first, diff)
	}
	h.verified()
}

// cutCounts tells how many rows each table holds.
func cutCounts(t *testing.T, conn *pgx.Conn) map[string]int {
	t.Helper()
	rows, err := conn.Query(t.Context(), `SELECT relname::text FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace ORDER BY 1`)
	packOK(t, err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	packOK(t, err)
	counts := map[string]int{}
	for _, table := range tables {
		var n int
		packOK(t, conn.QueryRow(t.Context(), fmt.Sprintf(`SELECT count(*) FROM %s`, pgx.Identifier{table}.Sanitize())).Scan(&n))
		counts[table] = n
	}
	return counts
}
