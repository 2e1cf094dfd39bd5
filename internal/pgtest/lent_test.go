package pgtest

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
)

func ownedBy(email string) func(context.Context, *store.Store, store.WorkshopID) error {
	return func(ctx context.Context, s *store.Store, workshop store.WorkshopID) error {
		_, err := s.AddPerson(ctx, store.Who{Workshop: workshop, Actor: "system"}, store.Entry{}, store.NewPerson{Email: email, Name: "Mara Thistle", Role: access.Owner}, time.Now())
		return err
	}
}

func TestALentDatabaseHoldsItsBeginningAlone(t *testing.T) {
	var first DB
	var head string
	began := func(t *testing.T, email string) (*store.Store, DB) {
		s, db := Begun(t, "pgtest-"+email[:4], ownedBy(email))
		people, err := s.People(t.Context(), store.WorkshopID(db.Workshop))
		if err != nil || len(people) != 1 || people[0].Email != email {
			t.Fatalf("people of a beginning: %+v, %v", people, err)
		}
		verdicts, err := store.Verify(t.Context(), db.OwnerURL)
		if err != nil || len(verdicts) != 1 || verdicts[0].Workshop != "main" || verdicts[0].Links != 1 || len(verdicts[0].Broken) > 0 {
			t.Fatalf("verify: %+v, %v", verdicts, err)
		}
		if email[:4] == "mara" {
			if head != "" && verdicts[0].Head != head {
				t.Errorf("the chain of a beginning brought back ends in %s, was %s", verdicts[0].Head, head)
			}
			head = verdicts[0].Head
		}
		return s, db
	}
	t.Run("the first writes it", func(t *testing.T) {
		_, first = began(t, "mara@quillmoor.example.org")
		book := History(t, first, first.Workshop)
		book.Batch("OB-1", "OB1", book.Product("SB", "Sage bar"), "2026-03-14", 12, "released", "")
	})
	t.Run("the next finds no more than it", func(t *testing.T) {
		_, db := began(t, "mara@quillmoor.example.org")
		if db.Name != first.Name {
			t.Errorf("%s was made although %s was free", db.Name, first.Name)
		}
		if n := counted(t, db, `SELECT count(*) FROM batch`) + counted(t, db, `SELECT count(*) FROM product`); n != 0 {
			t.Errorf("%d rows of the test before", n)
		}
		History(t, db, db.Workshop).Product("SB", "Sage bar") // whose code is free again
	})
	t.Run("another beginning in the same database", func(t *testing.T) { began(t, "wren@quillmoor.example.org") })
	t.Run("and the first again", func(t *testing.T) { began(t, "mara@quillmoor.example.org") })
	for name, sql := range map[string]string{"a trigger": `ALTER TABLE batch DISABLE TRIGGER audit_update`, "a name": `ALTER TABLE api_token RENAME TO elsewhere`, "a right": `REVOKE SELECT ON batch FROM stillroom_app`} {
		var changed DB
		head = "" // another database may be the next, written anew
		t.Run(name+" is changed", func(t *testing.T) {
			_, changed = began(t, "mara@quillmoor.example.org")
			if _, err := owner(t, changed).Exec(t.Context(), sql); err != nil {
				t.Fatal(err)
			}
		})
		head = ""
		t.Run("and the database not lent again", func(t *testing.T) {
			if _, db := began(t, "mara@quillmoor.example.org"); db.Name == changed.Name {
				t.Errorf("after %s it was lent again", sql)
			}
		})
	}
}

func TestWhatAProcessThatIsGoneLeftIsDropped(t *testing.T) {
	cluster, err := clusterURL()
	if err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(t.Context(), cluster)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	left := lentName + randomHex() + "_" + randomHex()
	if _, err := conn.Exec(t.Context(), `CREATE DATABASE `+left); err != nil {
		t.Fatal(err)
	}
	_, mine := Begun(t, "pgtest-mara", ownedBy("mara@quillmoor.example.org"))
	if err := dropLeft(t.Context(), conn, run.name); err != nil {
		t.Fatal(err)
	}
	var there []string
	rows, err := conn.Query(t.Context(), `SELECT datname FROM pg_database WHERE datname IN ($1, $2)`, left, mine.Name)
	if err == nil {
		there, err = pgx.CollectRows(rows, pgx.RowTo[string])
	}
	if err != nil || len(there) != 1 || there[0] != mine.Name {
		t.Errorf("of a left and a lent database there are %v, %v", there, err)
	}
}

func owner(t *testing.T, db DB) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func counted(t *testing.T, db DB, sql string) (n int) {
	t.Helper()
	if err := owner(t, db).QueryRow(t.Context(), sql).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
