package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// Again is what a batch says for the next one like it.
type Again struct {
	Batch       string // code
	FormulaCode string
	FormulaName string
	Then        int // number of the version it was made with, 0 where an older book did not say
	Now         int // number of the version in force, 0 for none
	// Plan has the formula, the product where it is still made of it, units or mass, and the place. Day and note are
	// left to whoever plans.
	Plan NewPlan
	// Gone is the name of a product that is not made any more, or not of this formula.
	Gone string
	Last LastMaking
}

// LastMaking is what a making taught, in brief.
type LastMaking struct {
	Code        string
	MadeOn      day.Day
	MadeBy      string
	Status      string
	Yields      string              // units or bulk
	Good        int                 // units
	Theoretical decimal.Decimal     // units
	Percent     decimal.NullDecimal // as Yield.Percent
	ByMass      bool                // as Yield.ByMass
	BulkG       decimal.NullDecimal
	Rejected    int // units
	YieldNote   string
	Deviations  []Deviation   // that stand
	ToMould     time.Duration // from the start to moulding; zero where it is not known
	Room        *ClimateNote  // at making
}

// Again reads what a batch says for the next one. A batch whose formula nobody noted cannot be made again: an Invalid
// fault says so.
func (s *Store) Again(ctx context.Context, workshop WorkshopID, code string) (Again, error) {
	var out Again
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		b, err := loadBatch(ctx, t, workshop, id)
		if err != nil {
			return err
		}
		if b.FormulaCode == "" {
			return fault.New(fault.Invalid, "Batch "+b.Code+" was not made by a formula, so it cannot be planned from. Choose the formula here.")
		}
		y, err := loadYield(ctx, t, workshop, &b)
		if err != nil {
			return err
		}
		out = Again{Batch: b.Code, FormulaCode: b.FormulaCode, FormulaName: b.FormulaName, Then: b.VersionNumber, Last: lastOf(b, y), Plan: NewPlan{Formula: b.FormulaCode, Place: b.Place}}
		version, err := approvedVersion(ctx, t, workshop, b.FormulaCode)
		if err != nil && !fault.Is(err, fault.NotFound) {
			return err
		}
		out.Now = version.Number
		return out.size(ctx, t, workshop, b)
	})
	if err != nil {
		return Again{}, fmt.Errorf("store: again %q: %w", code, err)
	}
	return out, nil
}

// size takes product and units or mass over from the batch; where it was not planned, as in an older book, from what
// was packed of it first.
func (a *Again) size(ctx context.Context, t pgx.Tx, workshop WorkshopID, b BatchRecord) error {
	code, units := b.ProductCode, b.PlannedUnits
	if code == "" && len(b.Packings) > 0 {
		code = b.Packings[0].ProductCode
	}
	if !b.PlannedG.Valid && units == 0 {
		for _, p := range b.Packings {
			units += p.UnitsGood + p.UnitsRetained
		}
	}
	a.Plan.MassG = b.PlannedG.Decimal
	if code != "" {
		p, err := productByCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		if p.Retired || p.FormulaCode != "" && p.FormulaCode != b.FormulaCode {
			a.Gone = p.Name
		} else if a.Plan.Product = p.Code; p.NominalFill().IsPositive() {
			a.Plan.Units = units
		}
	}
	if a.Plan.Units > 0 {
		a.Plan.MassG = decimal.Zero
	}
	return nil
}

func lastOf(b BatchRecord, y Yield) LastMaking {
	l := LastMaking{Code: b.Code, MadeOn: b.MadeOn, MadeBy: b.MadeBy, Status: b.Status, Yields: b.Yields, Good: y.Counts.Good, Theoretical: y.Theoretical, Percent: y.Percent, ByMass: y.ByMass, BulkG: b.BulkG, Rejected: y.Counts.Rejected, YieldNote: b.YieldNote}
	for _, d := range b.Deviations {
		if !d.Withdrawn {
			l.Deviations = append(l.Deviations, d)
		}
	}
	if b.MouldedAt != nil && b.MouldedAt.After(b.MadeAt) {
		l.ToMould = b.MouldedAt.Sub(b.MadeAt)
	}
	for _, c := range b.Climate {
		if c.Stage == "making" && !c.Replaced {
			room := c
			l.Room = &room
		}
	}
	return l
}

// loadLast looks for the latest making of the formula that got beyond the bench.
func (p *PlanSheet) loadLast(ctx context.Context, t pgx.Tx, workshop WorkshopID, formula FormulaID) error {
	var id BatchID
	err := t.QueryRow(ctx, `SELECT id FROM batch WHERE workshop_id = $1 AND formula_id = $2 AND status NOT IN ('making', 'void') ORDER BY made_on DESC, made_at DESC, id DESC LIMIT 1`, workshop, formula).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	b, err := loadBatch(ctx, t, workshop, id)
	if err != nil {
		return err
	}
	y, err := loadYield(ctx, t, workshop, &b)
	last := lastOf(b, y)
	p.Last = &last
	return err
}
