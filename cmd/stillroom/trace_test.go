package main

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/pgtest"
)

// giftBook is the book with a set put together from six units of balm, three of which bear another code.
func giftBook(t *testing.T) pgtest.DB {
	t.Helper()
	db, id := book(t)
	h := pgtest.History(t, db, uuid.UUID(id))
	gift := h.Product("GIFT", "Gift set")
	set := h.Batch("GS-26130-01", batchcode.Fold("GS-26130-01"), gift, "2026-05-10", 3, "released", "2027-04-11")
	h.Do(
		pgtest.Statement{SQL: `INSERT INTO batch_input (workshop_id, id, batch_id, source_batch_id, source_packing_id, quantity, unit, change_id) SELECT $1, $3, $4, k.batch_id, k.id, 6, 'each', $2 FROM packing k WHERE k.workshop_id = $1 AND k.code = 'OB-26101-01'`, Args: []any{uuid.Must(uuid.NewV7()), set.Batch}},
		pgtest.Statement{SQL: `INSERT INTO unit_code (workshop_id, id, code, code_key, packing_id, kind, units, reason, noted_on, change_id) SELECT $1, $3, 'OB-26101-0X', $4, k.id, 'misprint', 3, 'printer jammed', '2026-05-11', $2 FROM packing k WHERE k.workshop_id = $1 AND k.code = 'GS-26130-01'`, Args: []any{uuid.Must(uuid.NewV7()), batchcode.Fold("OB-26101-0X")}},
		pgtest.Statement{SQL: `INSERT INTO unit_code (workshop_id, id, code, code_key, packing_id, kind, reason, noted_on, change_id) SELECT $1, $3, 'GS-26130-01', $4, k.id, 'mix_up', 'labels mixed up', '2026-05-11', $2 FROM packing k WHERE k.workshop_id = $1 AND k.code = 'OB-26101-01'`, Args: []any{uuid.Must(uuid.NewV7()), batchcode.Fold("GS-26130-01")}},
	)
	return db
}

func TestATraceFollowsUnitsIntoSetsAndNamesCodesOnUnits(t *testing.T) {
	t.Parallel()
	db := giftBook(t)
	env := []string{"STILLROOM_DATABASE_URL=" + db.OwnerURL}
	for name, tc := range map[string]struct {
		args []string
		want []string
	}{
		"forward from the lot": {[]string{"trace", "lot", "OO-0042"}, []string{"GS-26130-01", "6 used in other batches", "Note: 3 units of GS-26130-01 also bear the code OB-26101-0X (misprinted)."}},
		"forward from the set": {[]string{"trace", "batch", "GS-26130-01"}, []string{"1 batch, ", "Note: the code GS-26130-01 also stands on an unknown number of units of OB-26101-01 (labels mixed up), which are not part of this trace."}},
		"back from the set":    {[]string{"trace", "sources", "GS-26130-01"}, []string{"units of OB-26101-01", "batch PX-26100-01", "OO-0042"}},
		"back, for a program":  {[]string{"trace", "sources", "GS-26130-01", "--format", "csv"}, []string{",OB-26101-01,,each,OB-26101-01\n"}},
	} {
		got := run(t, env, tc.args...)
		wantStatus(t, name, got, 0)
		for _, want := range tc.want {
			if !strings.Contains(got.out, want) {
				t.Errorf("%s lacks %q:\n%s", name, want, got.out)
			}
		}
	}
	list := run(t, env, "trace", "lot", "OO-0042", "--format", "csv")
	if head, _, _ := strings.Cut(list.out, "\n"); !strings.HasSuffix(head, ",dispatched_on,packing") || strings.Contains(list.out, "OB-26101-0X") {
		t.Errorf("the interchange has a column of our own: %s", list.out)
	}
	object := run(t, env, "trace", "lot", "OO-0042", "--format", "json")
	var forward struct {
		Batches []struct {
			Code      string
			UnitsUsed int `json:"units_used"`
			Depth     int
		}
	}
	check(t, json.Unmarshal([]byte(object.out), &forward))
	used := map[string]int{}
	for _, b := range forward.Batches {
		used[b.Code] = b.UnitsUsed*10 + b.Depth
	}
	if used["OB-26101-01"] != 61 || used["GS-26130-01"] != 2 {
		t.Errorf("units used and depth: %v", used)
	}
	none := run(t, env, "trace", "batch", "OB-26101-0X")
	wantStatus(t, "a misprint", none, 1)
	if none.out != "" || !strings.Contains(none.errs, "it stands on units of GS-26130-01 (misprinted)") {
		t.Errorf("out %q, err %q", none.out, none.errs)
	}
}
