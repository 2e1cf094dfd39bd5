package pgtest

import (
	"context"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Book writes rows of an older book straight into a test database, as its owner, under change rows as the store does,
// so that a test of dispatch or trace need not make, cure and pack first.
type Book struct {
	t        testing.TB
	owner    *pgxpool.Pool
	workshop uuid.UUID
}

// History opens the book of a workshop.
func History(t testing.TB, db DB, workshop uuid.UUID) *Book {
	t.Helper()
	if db.owner != nil {
		return &Book{t: t, owner: db.owner, workshop: workshop}
	}
	owner, err := pgxpool.New(context.Background(), db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(owner.Close)
	return &Book{t: t, owner: owner, workshop: workshop}
}

// Do runs statements in one recorded transaction; $1 is the workshop and $2 the change in each.
func (b *Book) Do(statements ...Statement) {
	b.t.Helper()
	ctx := context.Background()
	change := uuid.Must(uuid.NewV7())
	err := pgx.BeginFunc(ctx, b.owner, func(t pgx.Tx) error {
		if _, err := t.Exec(ctx, `SELECT set_config('app.workshop_id', $1::text, true), set_config('app.change_id', $2::text, true)`, b.workshop.String(), change.String()); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `INSERT INTO change (workshop_id, id, kind, actor, reason) VALUES ($1, $2, 'correct', 'system', 'test')`, b.workshop, change); err != nil {
			return err
		}
		for _, s := range statements {
			if _, err := t.Exec(ctx, s.SQL, append([]any{b.workshop, change}, s.Args...)...); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		b.t.Fatalf("history: %v", err)
	}
}

// Statement is SQL whose own arguments start at $3.
type Statement struct {
	SQL  string
	Args []any
}

// Product adds a product and answers its id.
func (b *Book) Product(code, name string) uuid.UUID {
	b.t.Helper()
	id := uuid.Must(uuid.NewV7())
	b.Do(Statement{`INSERT INTO product (workshop_id, id, code, name, net_content_g, change_id) VALUES ($1, $3, $4, $5, 100, $2)`, []any{id, code, name}})
	return id
}

// Material adds a raw material in g and answers its id.
func (b *Book) Material(code, name string) uuid.UUID {
	b.t.Helper()
	id := uuid.Must(uuid.NewV7())
	b.Do(Statement{`INSERT INTO material (workshop_id, id, code, name, kind, unit, change_id) VALUES ($1, $3, $4, $5, 'raw', 'g', $2)`, []any{id, code, name}})
	return id
}

// Lot adds a released lot and answers its id.
func (b *Book) Lot(code string, material uuid.UUID, quantity int) uuid.UUID {
	b.t.Helper()
	id := uuid.Must(uuid.NewV7())
	b.Do(Statement{`INSERT INTO material_lot (workshop_id, id, code, material_id, received_on, quantity, status, change_id) VALUES ($1, $3, $4, $5, '2026-01-05', $6, 'released', $2)`, []any{id, code, material, quantity}})
	return id
}

// Packed is a history batch with one packing.
type Packed struct{ Batch, Packing uuid.UUID }

// Batch adds a batch made and packed on a day, with one packing of the same code, and answers their ids. key is the
// folded code (batchcode.Fold); status is the packing's; best is its best-before or "".
func (b *Book) Batch(code, key string, product uuid.UUID, madeOn string, good int, status, best string) Packed {
	b.t.Helper()
	p := Packed{Batch: uuid.Must(uuid.NewV7()), Packing: uuid.Must(uuid.NewV7())}
	b.Do(
		Statement{`INSERT INTO batch (workshop_id, id, code, code_key, origin, product_id, status, made_at, made_on, change_id) VALUES ($1, $3, $4, $5, 'history', $6, $7, $8::date, $8::date, $2)`,
			[]any{p.Batch, code, key, product, status, madeOn}},
		Statement{`INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, best_before, status, change_id) VALUES ($1, $3, $4, 1, $5, $6, $7, $8::date, $9, nullif($10, '')::date, $11, $2)`,
			[]any{p.Packing, p.Batch, code, key, product, madeOn, good, best, status}},
	)
	return p
}

// Draw records that a batch used a quantity of a lot (in g).
func (b *Book) Draw(batch, lot uuid.UUID, quantity int) {
	b.t.Helper()
	b.Do(Statement{`INSERT INTO batch_input (workshop_id, id, batch_id, material_lot_id, quantity, unit, change_id) VALUES ($1, $3, $4, $5, $6, 'g', $2)`, []any{uuid.Must(uuid.NewV7()), batch, lot, quantity}})
}

// DrawBatch records that a batch used so many g of another batch.
func (b *Book) DrawBatch(batch, source uuid.UUID, grams int) {
	b.t.Helper()
	b.Do(Statement{`INSERT INTO batch_input (workshop_id, id, batch_id, source_batch_id, quantity, unit, change_id) VALUES ($1, $3, $4, $5, $6, 'g', $2)`, []any{uuid.Must(uuid.NewV7()), batch, source, grams}})
}

// Customer adds a customer and answers its id.
func (b *Book) Customer(code, name, kind string) uuid.UUID {
	b.t.Helper()
	id := uuid.Must(uuid.NewV7())
	b.Do(Statement{`INSERT INTO customer (workshop_id, id, code, name, kind, email, personal_key, change_id) VALUES ($1, $3, $4, $5, $6, '', sha256('test'), $2)`, []any{id, code, name, kind}})
	return id
}

// Dispatch adds a dispatch of units of one packing on a day and answers its id.
func (b *Book) Dispatch(code string, customer, packing uuid.UUID, units int, on string) uuid.UUID {
	b.t.Helper()
	id := uuid.Must(uuid.NewV7())
	b.Do(
		Statement{`INSERT INTO dispatch (workshop_id, id, code, customer_id, dispatched_on, origin, change_id) VALUES ($1, $3, $4, $5, $6::date, 'history', $2)`, []any{id, code, customer, on}},
		Statement{`INSERT INTO dispatch_line (workshop_id, id, dispatch_id, customer_id, packing_id, units, change_id) VALUES ($1, $3, $4, $5, $6, $7, $2)`, []any{uuid.Must(uuid.NewV7()), id, customer, packing, units}},
	)
	return id
}
