package store_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// A book begun before the columns and tables of schema 7 came verifies after it, can be written on, and a row of it that
// somebody changes behind the trail's back is found as before.
func TestABookBegunAtSchemaSixVerifiesAndGoesOnAfterMigrating(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	db := pgtest.Empty(t)
	packOK(t, store.MigrateTo(ctx, db.OwnerURL, 6))
	conn, err := pgx.Connect(ctx, db.OwnerURL)
	packOK(t, err)
	defer conn.Close(context.Background())
	shop := uuid.Must(uuid.NewV7())
	_, err = conn.Exec(ctx, `INSERT INTO workshop (id, code, name, zone, named) VALUES ($1, 'main', 'Quillmoor Workshop', 'UTC', true)`, shop)
	packOK(t, err)
	book := pgtest.History(t, db, shop)
	oil, soap := book.Material("OO", "Oat oil"), book.Product("OS", "Oat soap bar")
	lot := book.Lot("OO-1", oil, 1000)
	first := book.Batch("OS-1", batchcode.Fold("OS-1"), soap, "2026-02-01", 20, "released", "2030-01-01")
	second := book.Batch("OS-2", batchcode.Fold("OS-2"), soap, "2026-02-02", 20, "quarantined", "")
	book.Draw(first.Batch, lot, 300)
	book.DrawBatch(second.Batch, first.Batch, 50)
	stall := book.Customer("FAIR", "Quay Fair", "event")
	book.Dispatch("D-1", stall, first.Packing, 5, "2026-03-01")
	book.Do(pgtest.Statement{SQL: `UPDATE material_lot SET expires_on = '2030-01-01', change_id = change_id WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`, Args: []any{lot}},
		pgtest.Statement{SQL: `INSERT INTO stock_move (workshop_id, id, code, lot_id, moved_on, quantity, reason, note, change_id) VALUES ($1, $3, 'LM-1', $4, '2026-03-02', -10, 'write_off', 'spilt', $2)`, Args: []any{uuid.Must(uuid.NewV7()), lot}},
		pgtest.Statement{SQL: `INSERT INTO unit_move (workshop_id, id, code, packing_id, moved_on, units, reason, change_id) VALUES ($1, $3, 'UM-1', $4, '2026-03-02', -1, 'tester', $2)`, Args: []any{uuid.Must(uuid.NewV7()), first.Packing}},
		pgtest.Statement{SQL: `INSERT INTO deviation (workshop_id, id, n, kind, what, batch_id, change_id) VALUES ($1, $3, 1000, 'other', 'the lamp went out', $4, $2)`, Args: []any{uuid.Must(uuid.NewV7()), second.Batch}})

	packOK(t, store.Migrate(ctx, db.OwnerURL))
	broken := func() []string {
		t.Helper()
		verdicts, err := store.Verify(ctx, db.OwnerURL)
		packOK(t, err)
		return verdicts[0].Broken
	}
	if list := broken(); len(list) > 0 {
		t.Fatalf("as it was migrated: %v", list)
	}

	s, err := store.Open(ctx, db.AppURL)
	packOK(t, err)
	defer s.Close()
	who := store.Who{Workshop: store.WorkshopID(shop), Actor: "system"}
	tub, err := s.FillTub(ctx, who, store.Entry{}, store.TubFill{Tub: "Blue drum", Material: "OO", From: []store.TubDraw{tubOf("OO-1", "200")}})
	packOK(t, err)
	packOK(t, s.RetestLot(ctx, who, store.Entry{}, store.NewRetest{Lot: "OO-1", Passed: true, Words: "smells of oats"}))
	packOK(t, s.CorrectLot(ctx, who, store.Entry{}, store.LotCorrection{Code: "OO-1", ReceivedOn: day.Must("2026-01-05"), ExpiresOn: day.Must("2029-01-01"), Quantity: packDec("990")}, "read the label again"))
	if l, err := s.Lot(ctx, who.Workshop, tub); err != nil || l.ExpiresOn != day.Must("2029-01-01") {
		t.Errorf("the tub expires on %s, %v", l.ExpiresOn, err)
	}
	packOK(t, s.NoteUnitCode(ctx, who, store.Entry{}, store.NewUnitCode{Packing: "OS-1", Code: "OS-2", Kind: "mix_up", Reason: "labels mixed up"}))
	if _, err := s.MoveUnits(ctx, who, store.Entry{}, store.UnitMove{Packing: "OS-1", Reason: "gift", Units: 1}); err != nil {
		t.Error(err)
	}
	if err := s.SetLotStatus(ctx, who, store.Entry{}, "OO-1", "rejected", "the supplier wrote"); err != nil {
		t.Error(err)
	}
	if err := s.TopUpTub(ctx, who, store.Entry{}, store.TopUp{Lot: tub, From: []store.TubDraw{tubOf("OO-1", "10")}}); fault.As(err) == nil {
		t.Errorf("topping up from a rejected lot is asked about: %v", err)
	}
	if list := broken(); len(list) > 0 {
		t.Errorf("after going on: %v", list)
	}

	for name, sql := range map[string]string{
		"filling a new column": `UPDATE packing SET packaging_note = 'all there' WHERE code = 'OS-2'`,
		"emptying an old one":  `UPDATE material_lot SET expires_on = NULL WHERE code = 'OO-1'`,
		"a false for empty":    `UPDATE material SET is_label = false WHERE code = 'OO'`,
	} {
		table := strings.Fields(sql)[1]
		tx, err := conn.Begin(ctx)
		packOK(t, err)
		for _, statement := range []string{`ALTER TABLE ` + table + ` DISABLE TRIGGER USER`, sql, `ALTER TABLE ` + table + ` ENABLE TRIGGER USER`} {
			_, err := tx.Exec(ctx, statement)
			packOK(t, err)
		}
		rows, err := tx.Query(ctx, `SELECT table_name FROM record_drift($1)`, shop)
		packOK(t, err)
		drift, err := pgx.CollectRows(rows, pgx.RowTo[string])
		packOK(t, err)
		if !slices.Equal(drift, []string{table}) {
			t.Errorf("%s: drift is seen in %v, want %s", name, drift, table)
		}
		packOK(t, tx.Rollback(ctx))
	}
}
