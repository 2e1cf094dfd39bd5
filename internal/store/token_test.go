package store_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func tokenMade(t *testing.T, h house, name string, readOnly bool) string {
	t.Helper()
	text, err := h.MakeToken(t.Context(), h.owner, store.Entry{}, name, readOnly)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func tokenNamed(t *testing.T, h house, name string) store.Token {
	t.Helper()
	list, err := h.Tokens(t.Context(), h.owner.Workshop)
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range list {
		if k.Name == name && k.RevokedAt == nil {
			return k
		}
	}
	t.Fatalf("no token %q that works among %v", name, list)
	return store.Token{}
}

func TestATokenActsForItsWorkshopUnderItsName(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for name, readOnly := range map[string]bool{"Logger": false, "Nightly trace": true} {
		got, err := h.TokenWho(t.Context(), tokenMade(t, h, " "+name+" ", readOnly), sessionNow)
		if err != nil {
			t.Fatal(err)
		}
		want := store.Bearer{Token: tokenNamed(t, h, name).ID, ReadOnly: readOnly, Who: store.Who{Workshop: h.owner.Workshop, Name: name, Actor: "token", Device: name}}
		if diff := cmp.Diff("Quillmoor Workshop", got.Workshop.Name); diff != "" {
			t.Error(diff)
		}
		got.Workshop = store.Workshop{}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
		if by := tokenNamed(t, h, name).By; by != "Mara Thistle" {
			t.Errorf("made by %q", by)
		}
	}
	personVerify(t, h)
}

func TestATokensNameIsAskedForAndIsItsOwn(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	tokenMade(t, h, "Logger", false)
	for name, tc := range map[string]struct{ typed, says string }{
		"nothing":         {" ", "what the token is for"},
		"too long":        {strings.Repeat("x", 81), "80 characters"},
		"a line break":    {"log\nger", "what the token is for"},
		"a NUL":           {"log\x00ger", "what the token is for"},
		"one that is had": {"Logger", "Revoke it first"},
	} {
		_, err := h.MakeToken(t.Context(), h.owner, store.Entry{}, tc.typed, true)
		if said := fault.As(err).Of("name"); !strings.Contains(said, tc.says) {
			t.Errorf("%s: %v, want %q beside name", name, err, tc.says)
		}
	}
	if list, err := h.Tokens(t.Context(), h.owner.Workshop); err != nil || len(list) != 1 {
		t.Errorf("%d tokens, %v", len(list), err)
	}
}

func TestTheSameFormMakesOneTokenAndTellsItOnce(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	entry := store.Entry{Key: uuid.New(), Payload: [32]byte{7}}
	first, err := h.MakeToken(t.Context(), h.owner, entry, "Logger", false)
	if err != nil || first == "" {
		t.Fatalf("first: %q, %v", first, err)
	}
	again, err := h.MakeToken(t.Context(), h.owner, entry, "Logger", false)
	if err != nil || again != "" {
		t.Errorf("again: %q, %v; want no text", again, err)
	}
	if _, err := h.TokenWho(t.Context(), first, sessionNow); err != nil {
		t.Errorf("the first: %v", err)
	}
}

func TestARevokedTokenLetsNobodyInAndKeepsItsReason(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	text := tokenMade(t, h, "Logger", false)
	id := tokenNamed(t, h, "Logger").ID
	if err := h.RevokeToken(ctx, h.owner, store.Entry{}, id, " "); fault.As(err).Of("reason") == "" {
		t.Errorf("without a reason: %v", err)
	}
	if _, err := h.TokenWho(ctx, text, sessionNow); err != nil {
		t.Errorf("refused to revoke, and yet: %v", err)
	}
	if err := h.RevokeToken(ctx, h.owner, store.Entry{}, id, "the logger was sold"); err != nil {
		t.Fatal(err)
	}
	_, err := h.TokenWho(ctx, text, sessionNow)
	sessionWantKind(t, "a revoked one", err, fault.Sign)
	sessionWantKind(t, "revoked twice", h.RevokeToken(ctx, h.owner, store.Entry{}, id, "again"), fault.Conflict)
	sessionWantKind(t, "one that never was", h.RevokeToken(ctx, h.owner, store.Entry{}, store.TokenID(uuid.New()), "x"), fault.NotFound)
	tokenMade(t, h, "Logger", true) // the name is free again
	list, err := h.Tokens(ctx, h.owner.Workshop)
	if err != nil || len(list) != 2 || list[0].RevokedAt != nil || list[1].RevokedAt == nil {
		t.Errorf("tokens %+v, %v", list, err)
	}
	if got := tokenRows(t, h, `SELECT c.kind || ' ' || c.reason FROM audit a JOIN change c ON c.id = a.change_id WHERE a.table_name = 'api_token' AND a.op = 'U'`); !cmp.Equal(got, []string{"void the logger was sold"}) {
		t.Errorf("in the trail: %v", got)
	}
	personVerify(t, h)
}

// tokenRows asks as the owner of the database.
func tokenRows(t *testing.T, h house, query string) []string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	rows, err := conn.Query(t.Context(), query)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestWhatIsNoTokenIsNobody(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	text := tokenMade(t, h, "Logger", false)
	head, secret, _ := strings.Cut(text, ".")
	other := store.Text(sessionSecondShop(t, h))
	for name, tc := range map[string]string{
		"nothing":               "",
		"no workshop":           secret,
		"another workshop":      other + "." + secret,
		"no secret":             head + ".",
		"another secret":        head + "." + strings.Repeat("A", 43),
		"a session's cookie":    sessionOpen(t, h, sessionNow),
		"a character too many":  text + "A",
		"another way to say it": head + "." + secret + "=",
	} {
		_, err := h.TokenWho(t.Context(), tc, sessionNow)
		sessionWantKind(t, name, err, fault.Sign)
	}
	if _, err := h.Session(t.Context(), text, sessionNow); !fault.Is(err, fault.Sign) {
		t.Errorf("a token signs in as a person: %v", err)
	}
}

func TestLastUseIsToTheMinuteAndLeavesNoChange(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	text := tokenMade(t, h, "Logger", false)
	if used := tokenNamed(t, h, "Logger").UsedAt; used != nil {
		t.Errorf("used before it was: %v", used)
	}
	before := tokenRows(t, h, `SELECT count(*)::text FROM change`)
	for _, step := range []struct{ after, want time.Duration }{{0, 0}, {59 * time.Second, 0}, {61 * time.Second, 61 * time.Second}, {2 * time.Minute, 61 * time.Second}} {
		if _, err := h.TokenWho(t.Context(), text, sessionNow.Add(step.after)); err != nil {
			t.Fatal(err)
		}
		if used := tokenNamed(t, h, "Logger").UsedAt; used == nil || !used.Equal(sessionNow.Add(step.want)) {
			t.Errorf("after %v last used %v, want %v", step.after, used, sessionNow.Add(step.want))
		}
	}
	if after := tokenRows(t, h, `SELECT count(*)::text FROM change`); !cmp.Equal(before, after) {
		t.Errorf("changes: %v, then %v", before, after)
	}
	personVerify(t, h)
}

func TestTheBookHoldsNoSecretOfAToken(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	_, secret, _ := strings.Cut(tokenMade(t, h, "Logger", false), ".")
	for _, query := range []string{`SELECT to_jsonb(k)::text FROM api_token k`, `SELECT to_jsonb(a)::text FROM audit a`, `SELECT to_jsonb(c)::text FROM change c`, `SELECT to_jsonb(e)::text FROM entry_key e`} {
		for _, row := range tokenRows(t, h, query) {
			if strings.Contains(row, secret) {
				t.Errorf("%s has the secret: %s", query, row)
			}
		}
	}
	for _, row := range tokenRows(t, h, `SELECT new::text FROM audit WHERE table_name = 'api_token'`) {
		if strings.Contains(row, "token_hash") {
			t.Errorf("the trail has the hash: %s", row)
		}
	}
}
