package floor

import (
	"context"
	"errors"
	"fmt"
	"reflect"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// NewWorkshop adds an empty workshop to a database, asked as its owner.
func NewWorkshop(ctx context.Context, ownerURL string, id uuid.UUID, code string) error {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("floor: connect: %w", err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, `INSERT INTO workshop (id, code, name, named) VALUES ($1, $2, $2, true)`, id, code); err != nil {
		return fmt.Errorf("floor: workshop %s: %w", code, err)
	}
	return nil
}

// Entry is what the store sent for one entry, to be sent again any number of times with fresh ids and codes.
type Entry struct {
	list  []Statement
	fresh map[string]bool // values that are others in each entry, as text
}

// NewEntry takes two recordings of the same entry: what differs between them is what each entry has anew.
func NewEntry(first, second []Statement) (Entry, error) {
	e := Entry{fresh: map[string]bool{}}
	a, b := sent(first), sent(second)
	if len(a) != len(b) || len(a) < 4 {
		return e, fmt.Errorf("floor: an entry of %d statements was recorded, and then one of %d", len(a), len(b))
	}
	for i := range a {
		if a[i].SQL != b[i].SQL {
			return e, errors.New("floor: two entries sent other statements")
		}
		for k := range a[i].Args {
			x, isText := textOf(a[i].Args[k])
			y, _ := textOf(b[i].Args[k])
			if isText && x != y {
				e.fresh[x] = true
			}
		}
	}
	if len(e.fresh) == 0 {
		return e, errors.New("floor: two entries were the same, and so stored once")
	}
	e.list = a
	return e, nil
}

// sent leaves out the beginning and the end of the transaction: a batch is one by itself.
func sent(list []Statement) []Statement {
	var kept []Statement
	for _, s := range list {
		if !s.begins("BEGIN", "COMMIT", "ROLLBACK") {
			kept = append(kept, s)
		}
	}
	return kept
}

// textOf is an id or a text as text.
func textOf(arg any) (string, bool) {
	if text, ok := arg.(string); ok {
		return text, true
	}
	v := reflect.ValueOf(arg)
	if v.IsValid() && v.Kind() == reflect.Array && v.Len() == 16 && v.Type().Elem().Kind() == reflect.Uint8 {
		return uuid.UUID(v.Convert(reflect.TypeFor[[16]byte]()).Interface().([16]byte)).String(), true
	}
	return "", false
}

// Send stores one more entry: the same statements in one batch, which is one transaction and one round trip.
func (e Entry) Send(ctx context.Context, db *DB) error {
	now := map[string]uuid.UUID{}
	b := &pgx.Batch{}
	for _, s := range e.list {
		args := make([]any, len(s.Args))
		for i, arg := range s.Args {
			args[i] = arg
			text, ok := textOf(arg)
			if !ok || !e.fresh[text] {
				continue
			}
			id, given := now[text]
			if !given {
				id = uuid.Must(uuid.NewV7())
				now[text] = id
			}
			if _, isText := arg.(string); isText {
				args[i] = id.String()
			} else {
				args[i] = reflect.ValueOf([16]byte(id)).Convert(reflect.TypeOf(arg)).Interface()
			}
		}
		b.Queue(s.SQL, args...)
	}
	if err := db.pool.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("floor: entry: %w", err)
	}
	return nil
}
