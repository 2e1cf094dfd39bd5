package store_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

const (
	sessionPassword = "eleven-brass-kettles"
	sessionAddress  = "mara@quillmoor.example.org"
)

var sessionNow = time.Date(2026, 3, 14, 9, 30, 0, 0, time.UTC)

// sessionOpen signs the owner in at a moment.
func sessionOpen(t *testing.T, h house, at time.Time) string {
	t.Helper()
	cookie, choose, err := h.SignIn(t.Context(), sessionAddress, sessionPassword, "tablet", at)
	if err != nil || choose != nil {
		t.Fatalf("sign in: %v, choose %v", err, choose)
	}
	return cookie
}

func sessionWantKind(t *testing.T, what string, err error, kind fault.Kind) {
	t.Helper()
	if !fault.Is(err, kind) {
		t.Errorf("%s: %v, want a fault %q", what, err, kind)
	}
}

// sessionSecondShop adds another workshop to the database and answers its id.
func sessionSecondShop(t *testing.T, h house) store.WorkshopID {
	t.Helper()
	id := uuid.Must(uuid.NewV7())
	h.asOwner(t, `INSERT INTO workshop (id, code, name) VALUES ('`+id.String()+`', 'second', 'Fenmarch Workshop')`)
	return store.WorkshopID(id)
}

func TestSignInTellsNothingButYesOrNo(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	var said []string
	for name, tc := range map[string]struct{ email, password string }{
		"a wrong password":         {sessionAddress, "twelve-brass-kettles"},
		"an unknown address":       {"nobody@quillmoor.example.org", sessionPassword},
		"nothing":                  {"", ""},
		"a password without end":   {sessionAddress, strings.Repeat("x", 1<<20)},
		"a character cut in half":  {sessionAddress, "eleven-brass-kettles\xff"},
		"the address as a pattern": {"%@%", sessionPassword},
	} {
		cookie, choose, err := h.SignIn(t.Context(), tc.email, tc.password, "tablet", sessionNow)
		sessionWantKind(t, name, err, fault.Invalid)
		if cookie != "" || choose != nil {
			t.Errorf("%s: cookie %q, choose %v", name, cookie, choose)
		}
		said = append(said, err.Error())
	}
	for _, words := range said {
		if words != said[0] {
			t.Errorf("two answers: %q and %q", said[0], words)
		}
	}
	if cookie, _, err := h.SignIn(t.Context(), "  MARA@Quillmoor.example.org ", sessionPassword, "tablet", sessionNow); err != nil || cookie == "" {
		t.Errorf("an address in other case with spaces around: %v", err)
	}
}

func TestASessionEndsIdleAndAbsolutely(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for name, tc := range map[string]struct {
		pages []time.Duration // when pages were asked for, after signing in
		at    time.Duration
		in    bool
	}{
		"a moment before it is idle":         {nil, store.SessionIdle - time.Second, true},
		"idle":                               {nil, store.SessionIdle, false},
		"used in between":                    {[]time.Duration{11 * time.Hour}, 22 * time.Hour, true},
		"used in between, then idle":         {[]time.Duration{11 * time.Hour}, 11*time.Hour + store.SessionIdle, false},
		"used all the time, for thirty days": {sessionEvery(11*time.Hour, store.SessionMost), store.SessionMost, false},
		"used all the time, just before":     {sessionEvery(11*time.Hour, store.SessionMost), store.SessionMost - time.Minute, true},
	} {
		t.Run(name, func(t *testing.T) {
			cookie := sessionOpen(t, h, sessionNow)
			for _, after := range tc.pages {
				if _, err := h.Session(t.Context(), cookie, sessionNow.Add(after)); err != nil {
					t.Fatalf("after %v: %v", after, err)
				}
			}
			got, err := h.Session(t.Context(), cookie, sessionNow.Add(tc.at))
			if !tc.in {
				sessionWantKind(t, "it has ended", err, fault.Sign)
			} else if err != nil || got.Who.Person != h.owner.Person || got.Who.Role != access.Owner || got.Workshop.Name != "Quillmoor Workshop" {
				t.Errorf("%v: %+v", err, got)
			}
		})
	}
}

func sessionEvery(step, until time.Duration) []time.Duration {
	var list []time.Duration
	for at := step; at < until; at += step {
		list = append(list, at)
	}
	return list
}

func TestWhatIsNoSessionIsNobody(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	second := sessionSecondShop(t, h)
	cookie := sessionOpen(t, h, sessionNow)
	_, secret, _ := strings.Cut(cookie, ".")
	for name, text := range map[string]string{
		"nothing":                 "",
		"the secret alone":        secret,
		"another's secret":        store.Text(h.owner.Workshop) + "." + strings.Repeat("A", 43),
		"in another workshop":     store.Text(second) + "." + secret,
		"no workshop":             "x." + secret,
		"a workshop that is none": uuid.NewString() + "." + secret,
		"something behind":        cookie + "A",
	} {
		_, err := h.Session(t.Context(), text, sessionNow)
		sessionWantKind(t, name, err, fault.Sign)
	}
}

func TestTheTableHoldsNoSecretOfASessionOrLink(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	cookie := sessionOpen(t, h, sessionNow)
	link, err := h.SignInLink(t.Context(), h.owner.Workshop, sessionAddress, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	entry := store.Entry{Key: uuid.New()}
	password, err := h.AddPerson(t.Context(), h.owner, entry, store.NewPerson{Email: "tom@quillmoor.example.org", Name: "Tom Reed", Role: access.Helper}, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	for _, table := range []string{"session", "one_time_link", "entry_key", "audit", "change", "person"} {
		for name, text := range map[string]string{"cookie": cookie, "link": link, "password link": password} {
			_, secret, _ := strings.Cut(text, ".")
			var found bool
			if err := conn.QueryRow(t.Context(), `SELECT EXISTS (SELECT FROM `+table+` x WHERE x::text LIKE '%' || $1 || '%')`, secret).Scan(&found); err != nil {
				t.Fatal(err)
			}
			if found {
				t.Errorf("%s: the %s stands there in clear", table, name)
			}
		}
	}
}

func TestPeopleSeeAndEndTheirOwnSessionsOnly(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	link, err := h.AddPerson(ctx, h.owner, store.Entry{}, store.NewPerson{Email: "tom@quillmoor.example.org", Name: "Tom Reed", Role: access.Owner}, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	toms, err := h.SetPassword(ctx, link, "nine-copper-ladles", "phone", sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	tom, err := h.Session(ctx, toms, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	if err := h.EndSessions(ctx, h.owner); err != nil { // the one that set the workshop up
		t.Fatal(err)
	}
	one, two := sessionOpen(t, h, sessionNow), sessionOpen(t, h, sessionNow.Add(time.Minute))
	list, err := h.Sessions(ctx, h.owner, sessionNow.Add(time.Hour))
	if err != nil || len(list) != 2 || list[0].Device != "tablet" || !list[0].SeenAt.After(list[1].SeenAt) {
		t.Fatalf("sessions: %+v, %v", list, err)
	}
	sessionWantKind(t, "another's session", h.EndSession(ctx, tom.Who, list[0].ID), fault.NotFound)
	if err := h.EndSession(ctx, h.owner, list[1].ID); err != nil {
		t.Fatal(err)
	}
	sessionWantKind(t, "a second time", h.EndSession(ctx, h.owner, list[1].ID), fault.NotFound)
	_, err = h.Session(ctx, one, sessionNow.Add(time.Hour))
	sessionWantKind(t, "the ended one", err, fault.Sign)
	if _, err := h.Session(ctx, two, sessionNow.Add(time.Hour)); err != nil {
		t.Errorf("the other one: %v", err)
	}
	if err := h.EndSessions(ctx, h.owner); err != nil {
		t.Fatal(err)
	}
	_, err = h.Session(ctx, two, sessionNow.Add(time.Hour))
	sessionWantKind(t, "after signing out everywhere", err, fault.Sign)
	if _, err := h.Session(ctx, toms, sessionNow.Add(time.Hour)); err != nil {
		t.Errorf("Tom's: %v", err)
	}
}

func TestSigningOutEndsThatSessionAndTwiceIsNoError(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	cookie, other := sessionOpen(t, h, sessionNow), sessionOpen(t, h, sessionNow)
	for range 2 {
		if err := h.SignOut(t.Context(), cookie); err != nil {
			t.Fatal(err)
		}
	}
	_, err := h.Session(t.Context(), cookie, sessionNow)
	sessionWantKind(t, "signed out", err, fault.Sign)
	if _, err := h.Session(t.Context(), other, sessionNow); err != nil {
		t.Errorf("the other session: %v", err)
	}
	if err := h.SignOut(t.Context(), "no cookie"); err != nil {
		t.Errorf("nothing to end: %v", err)
	}
}

func TestAnAddressInSeveralWorkshopsIsAskedWhich(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	second := sessionSecondShop(t, h)
	system := store.Who{Workshop: second, Actor: "system"}
	join := func(email, password string) {
		t.Helper()
		link, err := h.AddPerson(ctx, system, store.Entry{}, store.NewPerson{Email: email, Name: "Mara Thistle", Role: access.Viewer}, sessionNow)
		if err == nil {
			_, err = h.SetPassword(ctx, link, password, "test", sessionNow)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	join("Mara@quillmoor.example.org", sessionPassword)
	cookie, choose, err := h.SignIn(ctx, sessionAddress, sessionPassword, "tablet", sessionNow)
	if err != nil || cookie != "" || len(choose) != 2 {
		t.Fatalf("cookie %q, choose %+v, %v", cookie, choose, err)
	}
	got := map[string]access.Role{}
	for _, c := range choose {
		cookie, err := h.SignInByLink(ctx, c.Ticket, "tablet", sessionNow)
		if err != nil {
			t.Fatal(err)
		}
		session, err := h.Session(ctx, cookie, sessionNow)
		if err != nil {
			t.Fatal(err)
		}
		if session.Workshop.Name != c.Name {
			t.Errorf("chose %s, is in %s", c.Name, session.Workshop.Name)
		}
		got[c.Name] = session.Who.Role
	}
	if diff := cmp.Diff(map[string]access.Role{"Quillmoor Workshop": access.Owner, "Fenmarch Workshop": access.Viewer}, got); diff != "" {
		t.Error(diff)
	}
}

func TestWithAnotherPasswordInEachWorkshopThePasswordDecides(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	second := sessionSecondShop(t, h)
	link, err := h.AddPerson(ctx, store.Who{Workshop: second, Actor: "system"}, store.Entry{}, store.NewPerson{Email: sessionAddress, Name: "Mara Thistle", Role: access.Viewer}, sessionNow)
	if err == nil {
		_, err = h.SetPassword(ctx, link, "nine-copper-ladles", "test", sessionNow)
	}
	if err != nil {
		t.Fatal(err)
	}
	for password, want := range map[string]string{sessionPassword: "Quillmoor Workshop", "nine-copper-ladles": "Fenmarch Workshop"} {
		cookie, choose, err := h.SignIn(ctx, sessionAddress, password, "tablet", sessionNow)
		if err != nil || choose != nil {
			t.Fatalf("%v, %v", choose, err)
		}
		session, err := h.Session(ctx, cookie, sessionNow)
		if err != nil || session.Workshop.Name != want {
			t.Errorf("in %q, %v; want %s", session.Workshop.Name, err, want)
		}
	}
}

func TestTheThrottleRefusesForAWhileAndNeverForGood(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	const most, window = 3, 10 * time.Minute
	try := func(key string, after time.Duration) error {
		return h.Throttle(t.Context(), key, most, window, sessionNow.Add(after))
	}
	for n := range most {
		if err := try("a", time.Duration(n)*time.Second); err != nil {
			t.Fatalf("try %d: %v", n+1, err)
		}
	}
	err := try("a", 4*time.Minute)
	sessionWantKind(t, "one too many", err, fault.TooMany)
	if f := fault.As(err); f == nil || f.RetryAfter != 6*60+1 || !strings.Contains(f.Message, "7 minutes") {
		t.Errorf("wait: %+v", f)
	}
	if err := try("b", 4*time.Minute); err != nil {
		t.Errorf("another key: %v", err)
	}
	// Trying on and on does not make it longer.
	for n := range 50 {
		sessionWantKind(t, "meanwhile", try("a", 5*time.Minute+time.Duration(n)*time.Second), fault.TooMany)
	}
	if err := try("a", window); err != nil {
		t.Errorf("when the window is over: %v", err)
	}
	for range most {
		_ = try("a", window)
	}
	sessionWantKind(t, "the next window counts again", try("a", window), fault.TooMany)
	if err := h.ClearThrottle(t.Context(), sessionNow.Add(window), "a"); err != nil {
		t.Fatal(err)
	}
	if err := try("a", window); err != nil {
		t.Errorf("after one that went well: %v", err)
	}
}

func TestTheThrottleCountsTriesThatComeAtOnce(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	const most, tries = 5, 20
	errs := make(chan error, tries)
	for range tries {
		go func() { errs <- h.Throttle(context.Background(), "at once", most, time.Minute, sessionNow) }()
	}
	passed := 0
	for range tries {
		err := <-errs
		if err == nil {
			passed++
		} else if !fault.Is(err, fault.TooMany) {
			t.Error(err)
		}
	}
	if passed != most {
		t.Errorf("%d passed, want %d", passed, most)
	}
}

func TestOldCountsAreSweptAndNewOnesKept(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	if err := errors.Join(
		h.Throttle(ctx, "old", 1, time.Minute, sessionNow.Add(-25*time.Hour)),
		h.Throttle(ctx, "new", 1, time.Hour, sessionNow),
		h.ClearThrottle(ctx, sessionNow, "other"),
	); err != nil {
		t.Fatal(err)
	}
	sessionWantKind(t, "the new one", h.Throttle(ctx, "new", 1, time.Hour, sessionNow), fault.TooMany)
	conn, err := pgx.Connect(ctx, h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var old int
	if err := conn.QueryRow(ctx, `SELECT count(*) FROM throttle WHERE key = 'old'`).Scan(&old); err != nil || old != 0 {
		t.Errorf("%d old counts, %v", old, err)
	}
}
