package store_test

import (
	"testing"
	"time"

	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// Two databases with one workshop each, of the same id: what is read where can be told apart by what is in it.
func TestTracesAreReadFromTheStandbyAndOwnEntriesAreNot(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	first, second := pgtest.Database(t), pgtest.Database(t)
	shops, err := store.Workshops(ctx, first.OwnerURL)
	packOK(t, err)
	shop := shops[0].ID
	for code, db := range map[string]pgtest.DB{"ON-FIRST": first, "ON-SECOND": second} {
		h := pgtest.History(t, db, uuid.UUID(shop))
		h.Lot(code, h.Material("OO", "Oat oil"), 1000)
	}
	found := func(s *store.Store, lot string) bool {
		t.Helper()
		_, err := s.TraceLot(ctx, shop, lot)
		if err != nil && !fault.Is(err, fault.NotFound) {
			t.Fatal(err)
		}
		return err == nil
	}
	open := func(standby string) *store.Store {
		t.Helper()
		s, err := store.Open(ctx, first.AppURL)
		packOK(t, err)
		t.Cleanup(s.Close)
		packOK(t, s.ReadFrom(standby))
		return s
	}

	s := open(second.AppURL)
	if !found(s, "ON-SECOND") || found(s, "ON-FIRST") {
		t.Error("the trace was not read from the standby")
	}
	if _, err := s.Lot(ctx, shop, "ON-FIRST"); err != nil {
		t.Errorf("a lot's page was not read from the primary: %v", err)
	}
	if same := open(first.AppURL); !found(same, "ON-FIRST") {
		t.Error("the primary as its own standby finds nothing")
	}

	dead := open("postgres://stillroom_app@127.0.0.1:1/book")
	if !found(dead, "ON-FIRST") {
		t.Error("with a standby that does not answer, the primary is not asked")
	}
	packOK(t, dead.Ready(ctx))
	silent := open("postgres://stillroom_app@192.0.2.1/book") // RFC 5737: nobody answers there
	found(silent, "ON-FIRST")
	began := time.Now()
	if !found(silent, "ON-FIRST") || time.Since(began) > 900*time.Millisecond {
		t.Errorf("a silent standby was waited for again: %v", time.Since(began))
	}

	house{db: second}.asOwner(t, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, true)`)
	if newer := open(second.AppURL); !found(newer, "ON-FIRST") || found(newer, "ON-SECOND") {
		t.Error("a standby with another schema was read")
	}
}
