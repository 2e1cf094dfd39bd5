package store_test

import (
	"context"
	"net/url"
	"testing"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

func TestTheOwnersLoginServesAsTheServingRole(t *testing.T) {
	t.Parallel()
	db := pgtest.Database(t)
	u, err := url.Parse(db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	query := u.Query()
	query.Set("role", "stillroom_app")
	u.RawQuery = query.Encode()
	for range 2 { // the second time it is a member already
		if err := store.LetOwnerServe(t.Context(), db.OwnerURL, u.String()); err != nil {
			t.Fatal(err)
		}
	}
	conn, err := pgx.Connect(t.Context(), u.String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var user string
	var workshops int
	if err := conn.QueryRow(t.Context(), `SELECT current_user::text, (SELECT count(*) FROM workshop)`).Scan(&user, &workshops); err != nil {
		t.Fatal(err)
	}
	if user != "stillroom_app" || workshops != 0 {
		t.Errorf("it is %s and sees %d workshops without naming one, want stillroom_app and none", user, workshops)
	}
	if _, err := conn.Exec(t.Context(), `DELETE FROM audit`); err == nil {
		t.Error("it may delete from the trail")
	}
}

func TestALoginOfItsOwnIsLeftAsItIs(t *testing.T) {
	t.Parallel()
	db := pgtest.Database(t)
	if err := store.LetOwnerServe(t.Context(), "postgres://nobody@127.0.0.1:1/none", db.AppURL); err != nil {
		t.Errorf("nothing is to be granted, so nobody is asked: %v", err)
	}
	if err := store.LetOwnerServe(t.Context(), db.OwnerURL, "postgres://x@[/none"); err == nil {
		t.Error("a URL that cannot be read was taken")
	}
}
