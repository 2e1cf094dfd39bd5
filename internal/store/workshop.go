package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	pgxdecimal "github.com/jackc/pgx-shopspring-decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// Workshops lists all workshops of a database, asked as its owner.
func Workshops(ctx context.Context, ownerURL string) ([]Workshop, error) {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return nil, fmt.Errorf("store: connect: %w", err)
	}
	defer conn.Close(ctx)
	pgxdecimal.Register(conn.TypeMap())
	rows, err := conn.Query(ctx, `SELECT `+workshopColumns+` FROM workshop ORDER BY code`)
	if err != nil {
		return nil, fmt.Errorf("store: workshops: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Workshop, error) { return scanWorkshop(row) })
	if err != nil {
		return nil, fmt.Errorf("store: workshops: %w", err)
	}
	return list, nil
}

// lockWorkshop orders decisions that look at the whole workshop. Every change row's foreign key holds a key share on the
// workshop until its transaction ends: NO KEY goes along with those, where FOR UPDATE would wait for all of them and
// two that want it would wait for each other.
func (t *tx) lockWorkshop(ctx context.Context) error {
	_, err := t.Exec(ctx, `SELECT FROM workshop WHERE id = $1 FOR NO KEY UPDATE`, t.who.Workshop)
	return err
}

func checkZone(f *fault.Fields, zone string) {
	if _, err := time.LoadLocation(zone); err != nil || zone == "" || zone == "Local" {
		f.Add("zone", "Choose the time zone that the workshop stands in, such as Europe/Dublin.")
	}
}

// Stamp tells one state of the settings from another: a form that shows them carries it, so that what somebody else
// changed meanwhile is not overwritten unseen.
func (w Workshop) Stamp() string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %q %q %d %s %s %q %d %q", w.Name, w.Zone, w.CodePattern, w.SoonDays, w.ReadabilityG, w.MinLoadG, w.Style, w.DrillMinutes, w.Contact))
	return hex.EncodeToString(sum[:8])
}

// SetWorkshop changes the settings, if they are still those of the stamp; else it is a conflict. A new code pattern
// holds from the next batch; codes given before stay, and the old pattern is remembered for look-up. Faults stand beside
// name, zone, code_pattern, soon_days, readability_g, min_load_g, mass_unit, temp_unit, date_style, drill_minutes and
// contact.
func (s *Store) SetWorkshop(ctx context.Context, who Who, entry Entry, w Workshop, stamp string) error {
	var f fault.Fields
	checkName(&f, w.Name, "Write the workshop's name, up to 200 characters.")
	checkZone(&f, w.Zone)
	_, err := batchcode.ParsePattern(w.CodePattern)
	f.Check("code_pattern", err)
	if w.SoonDays < 1 || w.SoonDays > 730 {
		f.Add("soon_days", "Between 1 and 730 days.")
	}
	if !w.ReadabilityG.IsPositive() {
		f.Add("readability_g", "The scale's smallest step has to be more than 0.")
	}
	if w.MinLoadG.IsNegative() {
		f.Add("min_load_g", "Write 0 or more.")
	}
	checkStyle(&f, w.Style)
	if w.DrillMinutes < 0 || w.DrillMinutes > 100000 {
		f.Add("drill_minutes", "Between 1 and 100,000 minutes, or nothing.")
	}
	checkLength(&f, "contact", w.Contact, 1000)
	if err := f.Err(); err != nil {
		return err
	}
	_, err = s.write(ctx, who, progress, "", entry, func(t *tx) error {
		if err := t.lockWorkshop(ctx); err != nil {
			return err
		}
		// Read anew: what begin saw may have changed before the lock was ours.
		now, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, who.Workshop))
		if err != nil {
			return err
		}
		if now.Stamp() != stamp {
			return fault.New(fault.Conflict, "Somebody changed the settings meanwhile. What you typed is below; saving it now replaces theirs.")
		}
		if _, err := t.Exec(ctx, `UPDATE workshop SET name = $2, zone = $3, code_pattern = $4, soon_days = $5, readability_g = $6, min_load_g = $7, mass_unit = $8, temp_unit = $9, date_style = $10, drill_minutes = nullif($11::int, 0), contact = nullif($12, '') WHERE id = $1`,
			who.Workshop, w.Name, w.Zone, w.CodePattern, w.SoonDays, w.ReadabilityG, w.MinLoadG, w.Style.Mass, w.Style.Temperature, w.Style.Date, w.DrillMinutes, w.Contact); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO code_pattern (workshop_id, pattern) VALUES ($1, $2) ON CONFLICT DO NOTHING`, who.Workshop, w.CodePattern)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: settings: %w", err)
	}
	return nil
}

// checkStyle asks for one of the units and orders that pages can show.
func checkStyle(f *fault.Fields, s measure.Style) {
	if s.Mass != "g" && s.Mass != "oz" {
		f.Add("mass_unit", "Choose grams or ounces.")
	}
	if s.Temperature != "C" && s.Temperature != "F" {
		f.Add("temp_unit", "Choose °C or °F.")
	}
	if s.Date != "dmy" && s.Date != "mdy" && s.Date != "iso" {
		f.Add("date_style", "Choose how dates are written.")
	}
}

// styleOf is what a workshop shows its figures in, for words that are made while a page is read.
func styleOf(ctx context.Context, t pgx.Tx, workshop WorkshopID) (s measure.Style, err error) {
	err = t.QueryRow(ctx, `SELECT mass_unit, temp_unit, date_style FROM workshop WHERE id = $1`, workshop).Scan(&s.Mass, &s.Temperature, &s.Date)
	return s, err
}
