package batches_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/pgtest"
)

// An older book may have noted one of temperature and humidity: the page and the record show it, and say what is missing.
func TestAnOlderBooksOnlyReadingOfTheRoomIsShown(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	book := pgtest.History(t, h.DB, uuid.UUID(h.maker.Workshop))
	soap := book.Product("OLD", "Old soap")
	for code, c := range map[string]struct{ column, value, page, record string }{
		"OLD-1": {"only_temperature_c", "18.5", "At making: 18.5 °C. The older book does not say the humidity.", "18.5 °C at making; it does not say the humidity"},
		"OLD-2": {"only_humidity_pct", "57", "At making: 57 % humidity. The older book does not say the temperature.", "57 % at making; it does not say the temperature"},
	} {
		b := book.Batch(code, batchcode.Fold(code), soap, "2026-01-01", 20, "released", "2027-01-01")
		book.Do(pgtest.Statement{SQL: `UPDATE batch SET ` + c.column + ` = $4 WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`, Args: []any{b.Batch, c.value}})
		if got := h.As(access.Viewer).Get("/batches/" + code).Text("main"); !strings.Contains(got, c.page) {
			t.Errorf("%s: its page does not say %q:\n%s", code, c.page, got)
		}
		if got := h.As(access.Viewer).Get("/batches/" + code + "/record").Text("main"); !strings.Contains(got, c.record) {
			t.Errorf("%s: its record does not say %q:\n%s", code, c.record, got)
		}
	}
}
