package store

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/closing"
	"example.org/stillroom/internal/release"
)

// RecallReport reads a recall as its closing report is written from, in one snapshot. by is who asks for it, now when.
func (s *Store) RecallReport(ctx context.Context, workshop WorkshopID, n int, by string, now time.Time) (closing.Source, error) {
	var out closing.Source
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		out, err = recallReport(ctx, t, workshop, n)
		return err
	})
	if err != nil {
		return closing.Source{}, fmt.Errorf("store: report of recall %d: %w", n, err)
	}
	out.By, out.Now = by, now
	return out, nil
}

func recallReport(ctx context.Context, t pgx.Tx, workshop WorkshopID, n int) (closing.Source, error) {
	stand, err := recallClosing(ctx, t, workshop, n)
	if err != nil {
		return closing.Source{}, err
	}
	page, r := stand.Page, stand.Page.Recall
	out := closing.Source{Code: r.Code(), Level: r.Level, Title: r.Title, Reason: r.Reason, Hazard: r.Hazard, ToDo: r.ToDo, Remedy: r.Remedy, Contact: r.Contact,
		OpenedAt: r.OpenedAt, OpenedBy: r.OpenedBy, Units: stand.Told.Units, Untied: stand.Told.Untied, Beyond: stand.Told.Beyond, BeyondUnits: stand.Told.BeyondUnits, Open: stand.Conditions}
	closer := ""
	if out.Closed, err = closedOf(page); err != nil {
		return out, err
	}
	if out.Closed != nil {
		closer = out.Closed.Name
	}
	var told RecallTold
	err = together(ctx, t,
		func(t pgx.Tx) error {
			w, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
			out.Workshop, out.Zone, out.Style = w.Name, w.Location(), w.Style
			return err
		},
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT n, encode(hash, 'hex') FROM chain_head WHERE workshop_id = $1`, workshop).Scan(&out.ChainN, &out.ChainSum)
		},
		func(t pgx.Tx) (err error) {
			out.Events, err = recallEvents(ctx, t, workshop, r, closer)
			return err
		})
	if err != nil {
		return out, err
	}
	if told, err = recallTold(ctx, t, workshop, r, "", 0); err != nil {
		return out, err
	}
	for _, c := range told.Customers {
		out.Customers = append(out.Customers, closing.Customer{Code: c.Code, Name: c.Name, Kind: c.Kind, Units: c.Units, ToldAt: c.LastAt, How: c.How, By: c.By, Times: c.Times, Answered: c.Answered})
	}
	for _, o := range page.Origins {
		words := strings.ReplaceAll(o.Kind, "_", " ") + " " + o.Said
		if o.Code != o.Said {
			words += ": " + o.Node + " " + o.Code
		}
		out.Origins = append(out.Origins, words)
	}
	for _, l := range page.Lots {
		out.Lots = append(out.Lots, closing.Node{Code: l.Code, Name: l.Name})
	}
	for _, b := range page.Batches {
		out.Batches = append(out.Batches, closing.Node{Code: b.Code, Name: b.Name})
	}
	for _, p := range page.Packings {
		out.Packings = append(out.Packings, closing.Packing{Code: p.Code, Product: p.ProductName, Printed: p.Printed, Good: p.Frozen.Good, Out: p.Frozen.Dispatched - p.Frozen.Returned, OnHand: p.OnHand, Counted: p.Counted,
			Restocked: p.Now.RestockedOrHeld - p.Frozen.RestockedOrHeld, Destroyed: p.Now.Destroyed - p.Frozen.Destroyed, Left: p.Now.Used - p.Frozen.Used - (p.Now.Moved - p.Frozen.Moved), OnHandNow: p.OnHandNow, HeldNow: p.HeldNow})
	}
	return out, nil
}

func closedOf(page RecallPage) (*closing.Closed, error) {
	if page.ClosedAt == nil || page.Signature == nil {
		return nil, nil
	}
	g := page.Signature
	c := closing.Closed{At: *page.ClosedAt, Note: page.Note, Name: g.Name, LocalTime: g.LocalTime, Hash: g.Hash, Broken: g.Broken, Told: g.Told}
	if len(g.Seen) > 0 {
		var seen []release.Condition
		if err := json.Unmarshal(g.Seen, &seen); err != nil {
			return nil, err
		}
		c.Seen = seen
	}
	return &c, nil
}

// recallEvents are what happened, in order of time: opened, extended, told, answered and counted, e-mails, holds lifted,
// closed. What was withdrawn is among it.
func recallEvents(ctx context.Context, t pgx.Tx, workshop WorkshopID, r Recall, closer string) ([]closing.Event, error) {
	rows, err := t.Query(ctx, `SELECT * FROM (
		SELECT s.added_at AS at, s.added_at AS written, 0 AS rank, 'Extended: ' || count(*) FILTER (WHERE s.lot_id IS NOT NULL) || ' lots, ' || count(*) FILTER (WHERE s.batch_id IS NOT NULL) || ' batches and ' || count(*) FILTER (WHERE s.packing_id IS NOT NULL) || ' packings taken in' AS what,
			coalesce(p.name, c.actor) AS by, false AS gone, '' AS why FROM recall_scope s JOIN change c ON c.workshop_id = s.workshop_id AND c.id = s.change_id LEFT JOIN person p ON p.workshop_id = c.workshop_id AND p.id = c.person_id
			WHERE s.workshop_id = $1 AND s.recall_id = $2 AND s.added_at > $3 GROUP BY s.added_at, coalesce(p.name, c.actor)
		UNION ALL SELECT e.told_at, c.at, 1, u.name || ' told: ' || CASE e.how WHEN 'email' THEN 'e-mail' WHEN 'in_person' THEN 'in person' WHEN 'notice' THEN 'public notice' ELSE e.how END || CASE WHEN e.note = '' THEN '' ELSE '. ' || e.note END, coalesce(p.name, c.actor), e.replaced_by IS NOT NULL, coalesce(z.reason, '')
			FROM recall_told e JOIN customer u ON u.workshop_id = e.workshop_id AND u.id = e.customer_id`+madeBy+`LEFT JOIN LATERAL (`+lastChange(`'recall_told'`, `e.id`)+`) z ON e.replaced_by IS NOT NULL WHERE e.workshop_id = $1 AND e.recall_id = $2
		UNION ALL SELECT c.at, c.at, 2, u.name || ' answered' || CASE WHEN e.note = '' THEN '' ELSE ': ' || e.note END, coalesce(p.name, c.actor), e.replaced_by IS NOT NULL, coalesce(z.reason, '')
			FROM recall_answer e JOIN customer u ON u.workshop_id = e.workshop_id AND u.id = e.customer_id`+madeBy+`LEFT JOIN LATERAL (`+lastChange(`'recall_answer'`, `e.id`)+`) z ON e.replaced_by IS NOT NULL WHERE e.workshop_id = $1 AND e.recall_id = $2
		UNION ALL SELECT c.at, c.at, 3, u.name || ': ' || e.units || ' of ' || k.code || ' ' || CASE e.kind WHEN 'returned' THEN 'came back (' || x.code || ')' WHEN 'destroyed' THEN 'destroyed there' WHEN 'used' THEN 'used already' ELSE 'sold on' END,
			coalesce(p.name, c.actor), e.replaced_by IS NOT NULL, coalesce(z.reason, '') FROM recall_count e JOIN customer u ON u.workshop_id = e.workshop_id AND u.id = e.customer_id JOIN packing k ON k.workshop_id = e.workshop_id AND k.id = e.packing_id
			LEFT JOIN unit_return x ON x.workshop_id = e.workshop_id AND x.id = e.return_id`+madeBy+`LEFT JOIN LATERAL (`+lastChange(`'recall_count'`, `e.id`)+`) z ON e.replaced_by IS NOT NULL WHERE e.workshop_id = $1 AND e.recall_id = $2
		UNION ALL SELECT e.tried_at, e.tried_at, 4, 'E-mail to ' || u.name || ': ' || CASE e.outcome WHEN 'sent' THEN 'sent' WHEN 'failed' THEN 'failed' ELSE 'not known whether it went' END, coalesce(p.name, c.actor), false, ''
			FROM mail_log e JOIN customer u ON u.workshop_id = e.workshop_id AND u.id = e.customer_id`+madeBy+`WHERE e.workshop_id = $1 AND e.recall_id = $2
		UNION ALL SELECT h.lifted_at, h.lifted_at, 5, 'Hold of ' || k.code || ' lifted: ' || coalesce(h.lift_reason, ''), coalesce(z.who, ''), false, '' FROM hold h JOIN packing k ON k.workshop_id = h.workshop_id AND k.id = h.packing_id
			LEFT JOIN LATERAL (`+lastChange(`'hold'`, `h.id`)+`) z ON true WHERE h.workshop_id = $1 AND h.recall_id = $2 AND h.lifted_at IS NOT NULL) x ORDER BY at, rank, what`, workshop, r.ID, r.OpenedAt)
	if err != nil {
		return nil, err
	}
	list := []closing.Event{{At: r.OpenedAt, What: "Opened: " + r.Title, By: r.OpenedBy}}
	var e closing.Event
	var rank int
	_, err = pgx.ForEachRow(rows, []any{&e.At, &e.Written, &rank, &e.What, &e.By, &e.Withdrawn, &e.Why}, func() error {
		list = append(list, e)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if r.ClosedAt != nil {
		list = append(list, closing.Event{At: *r.ClosedAt, What: "Closed: " + r.Note, By: closer})
	}
	// Who was told before it was opened here stands first.
	slices.SortStableFunc(list, func(a, b closing.Event) int { return a.At.Compare(b.At) })
	return list, nil
}
