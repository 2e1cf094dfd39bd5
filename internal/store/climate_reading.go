package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
)

// Reading is what a room's logger says of one moment.
type Reading struct {
	Place        string
	TakenAt      time.Time
	TemperatureC decimal.Decimal
	HumidityPct  decimal.Decimal
}

func (r Reading) same(o Reading) bool {
	return r.TemperatureC.Equal(o.TemperatureC) && r.HumidityPct.Equal(o.HumidityPct)
}

func (r Reading) words() string {
	return fmt.Sprintf("%s °C and %s %%", r.TemperatureC, r.HumidityPct)
}

// AddReadings stores what a logger sent, all of it or nothing, and says how many were new and how many were there
// before, in the book or earlier in the list. A place has one reading a moment: another one for it is a conflict, whose
// fields are [n], counted from 0. Readings are no records: they leave no change.
func (s *Store) AddReadings(ctx context.Context, workshop WorkshopID, list []Reading) (stored, same int, err error) {
	type numbered struct {
		Reading
		n int
	}
	rows := make([]numbered, len(list))
	for i, r := range list {
		r.TakenAt = r.TakenAt.UTC().Truncate(time.Microsecond) // as the book keeps it
		rows[i] = numbered{r, i}
	}
	// In one order for everybody, so that two loggers that send the same never wait for each other in a circle.
	slices.SortFunc(rows, func(a, b numbered) int {
		return cmp.Or(cmp.Compare(a.Place, b.Place), a.TakenAt.Compare(b.TakenAt), cmp.Compare(a.n, b.n))
	})
	clash := &fault.Fault{Kind: fault.Conflict, Message: "A place has one reading for each moment. Nothing was stored."}
	say := func(n int, words string) {
		if len(clash.Fields) < clashesMost {
			clash.Fields = append(clash.Fields, fault.Field{Name: fmt.Sprintf("[%d]", n), Message: words})
		}
	}
	var n []int
	var places, temperatures, humidities []string
	var moments []time.Time
	first := map[int]Reading{}
	for i, r := range rows {
		if i > 0 && rows[i-1].Place == r.Place && rows[i-1].TakenAt.Equal(r.TakenAt) {
			if before := rows[i-1]; !r.same(before.Reading) {
				say(r.n, fmt.Sprintf("[%d] is of the same place and moment, and says %s", before.n, before.words()))
			}
			continue
		}
		n, places, moments = append(n, r.n), append(places, r.Place), append(moments, r.TakenAt)
		temperatures, humidities = append(temperatures, r.TemperatureC.String()), append(humidities, r.HumidityPct.String())
		first[r.n] = r.Reading
	}
	if len(clash.Fields) > 0 {
		return 0, 0, clash
	}
	err = s.settle(ctx, workshop, func(t pgx.Tx) error {
		tag, err := t.Exec(ctx, `INSERT INTO climate_reading (workshop_id, place, taken_at, temperature_c, humidity_pct)
			SELECT $1, r.place, r.at, r.t::numeric, r.h::numeric FROM unnest($2::text[], $3::timestamptz[], $4::text[], $5::text[]) r (place, at, t, h)
			ORDER BY r.place COLLATE "C", r.at ON CONFLICT DO NOTHING`, workshop, places, moments, temperatures, humidities)
		if err != nil {
			return err
		}
		stored = int(tag.RowsAffected())
		if stored == len(n) {
			return nil
		}
		found, err := t.Query(ctx, `SELECT r.n, c.place, c.taken_at, c.temperature_c, c.humidity_pct
			FROM unnest($2::int[], $3::text[], $4::timestamptz[]) r (n, place, at)
			JOIN climate_reading c ON c.workshop_id = $1 AND c.place = r.place AND c.taken_at = r.at ORDER BY r.n`, workshop, n, places, moments)
		if err != nil {
			return err
		}
		var at int
		var had Reading
		_, err = pgx.ForEachRow(found, []any{&at, &had.Place, &had.TakenAt, &had.TemperatureC, &had.HumidityPct}, func() error {
			if !had.same(first[at]) {
				say(at, fmt.Sprintf("the book has %s for %s at %s", had.words(), had.Place, had.TakenAt.UTC().Format(time.RFC3339Nano)))
			}
			return nil
		})
		if err == nil && len(clash.Fields) > 0 {
			return clash
		}
		return err
	})
	if err != nil {
		return 0, 0, fmt.Errorf("store: readings: %w", err)
	}
	return stored, len(list) - stored, nil
}

// clashesMost is how many clashes are told: enough to see what is wrong with a logger.
const clashesMost = 100
