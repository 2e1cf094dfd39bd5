package store_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// personAdd registers somebody with a password and answers their id and cookie.
func personAdd(t *testing.T, h house, email, name string, role access.Role) (store.PersonID, string) {
	t.Helper()
	link, err := h.AddPerson(t.Context(), h.owner, store.Entry{}, store.NewPerson{Email: email, Name: name, Role: role}, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	cookie, err := h.SetPassword(t.Context(), link, sessionPassword, "tablet", sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	session, err := h.Session(t.Context(), cookie, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	return session.Who.Person, cookie
}

// personVerify fails where the book does not hold.
func personVerify(t *testing.T, h house) {
	t.Helper()
	verdicts, err := store.Verify(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range verdicts {
		if len(v.Broken) > 0 {
			t.Errorf("%s: %v", v.Workshop, v.Broken)
		}
	}
}

func TestALinkWorksOnceAndNotForEver(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	tom, _ := personAdd(t, h, "tom@quillmoor.example.org", "Tom Reed", access.Helper)
	for name, tc := range map[string]struct {
		make  func() (string, error)
		use   func(link string, at time.Time) error
		lasts time.Duration
	}{
		"sign in": {
			func() (string, error) {
				return h.SignInLink(ctx, h.owner.Workshop, "Tom@quillmoor.example.org", sessionNow)
			},
			func(link string, at time.Time) error { _, err := h.SignInByLink(ctx, link, "tablet", at); return err },
			15 * time.Minute,
		},
		"set a password": {
			func() (string, error) { return h.NewPasswordLink(ctx, h.owner, tom, sessionNow) },
			func(link string, at time.Time) error {
				_, err := h.SetPassword(ctx, link, "nine-copper-ladles", "tablet", at)
				return err
			},
			7 * 24 * time.Hour,
		},
	} {
		t.Run(name, func(t *testing.T) {
			link, err := tc.make()
			if err != nil {
				t.Fatal(err)
			}
			sessionWantKind(t, "run out", tc.use(link, sessionNow.Add(tc.lasts)), fault.NotFound)
			if err := tc.use(link, sessionNow.Add(tc.lasts-time.Second)); err != nil {
				t.Fatalf("just before: %v", err)
			}
			sessionWantKind(t, "a second time", tc.use(link, sessionNow.Add(time.Second)), fault.NotFound)
			sessionWantKind(t, "one that never was", tc.use(store.Text(h.owner.Workshop)+"."+strings.Repeat("A", 43), sessionNow), fault.NotFound)
			sessionWantKind(t, "nothing", tc.use("", sessionNow), fault.NotFound)
		})
	}
	personVerify(t, h)
}

func TestALinkOfOneKindIsNoneOfAnother(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	signIn, err := h.SignInLink(ctx, h.owner.Workshop, sessionAddress, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.SetPassword(ctx, signIn, "nine-copper-ladles", "tablet", sessionNow)
	sessionWantKind(t, "setting a password with a sign-in link", err, fault.NotFound)
	sessionWantKind(t, "setting up with it", h.SetUpOpen(ctx, signIn, sessionNow), fault.NotFound)
	if _, err := h.SignInByLink(ctx, signIn, "tablet", sessionNow); err != nil {
		t.Errorf("and it still signs in: %v", err)
	}
}

func TestALinkSpentByManyAtOnceSignsInOnce(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	link, err := h.SignInLink(t.Context(), h.owner.Workshop, sessionAddress, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() { _, errs[i] = h.SignInByLink(context.Background(), link, "tablet", sessionNow) })
	}
	wg.Wait()
	in := 0
	for _, err := range errs {
		if err == nil {
			in++
		} else {
			sessionWantKind(t, "the others", err, fault.NotFound)
		}
	}
	if in != 1 {
		t.Errorf("%d signed in", in)
	}
}

func TestANewPasswordLinkEndsTheOneBefore(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	first, err := h.AddPerson(ctx, h.owner, store.Entry{}, store.NewPerson{Email: "tom@quillmoor.example.org", Name: "Tom Reed", Role: access.Helper}, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	tom, err := h.PasswordLinkOpen(ctx, first, sessionNow)
	if err != nil || tom.Name != "Tom Reed" {
		t.Fatalf("%+v, %v", tom, err)
	}
	second, err := h.NewPasswordLink(ctx, h.owner, tom.ID, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.PasswordLinkOpen(ctx, first, sessionNow)
	sessionWantKind(t, "the first", err, fault.NotFound)
	if _, err := h.SetPassword(ctx, second, "nine-copper-ladles", "tablet", sessionNow); err != nil {
		t.Errorf("the second: %v", err)
	}
}

func TestTheSetUpLinkIsForTheFirstPersonOnly(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	if link, err := h.SetUpLink(ctx, h.owner.Workshop, sessionNow); err != nil || link != "" {
		t.Errorf("where somebody is registered: %q, %v", link, err)
	}
	second := sessionSecondShop(t, h)
	first, err := h.SetUpLink(ctx, second, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	link, err := h.SetUpLink(ctx, second, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	sessionWantKind(t, "the one printed before", h.SetUpOpen(ctx, first, sessionNow), fault.NotFound)
	sessionWantKind(t, "a day later", h.SetUpOpen(ctx, link, sessionNow.Add(24*time.Hour)), fault.NotFound)
	bad := store.NewPerson{Email: "not an address", Name: " "}
	_, err = h.SetUp(ctx, link, "", "Nowhere/Land", bad, "short", "tablet", sessionNow)
	if f := fault.As(err); f == nil || cmp.Diff([]string{"email", "name", "password", "workshop", "zone"}, f.Names()) != "" {
		t.Errorf("all faults at once: %v", err)
	}
	for _, zone := range []string{"", "Local", "../../etc/passwd", "Mars/Base"} {
		_, err := h.SetUp(ctx, link, "Fenmarch Workshop", zone, store.NewPerson{Email: "ann@fenmarch.example.org", Name: "Ann Fen"}, sessionPassword, "tablet", sessionNow)
		if f := fault.As(err); f == nil || f.Of("zone") == "" {
			t.Errorf("zone %q: %v", zone, err)
		}
	}
	// Somebody added from the command line meanwhile has it.
	if _, err := h.AddPerson(ctx, store.Who{Workshop: second, Actor: "command"}, store.Entry{}, store.NewPerson{Email: "ann@fenmarch.example.org", Name: "Ann Fen", Role: access.Owner}, sessionNow); err != nil {
		t.Fatal(err)
	}
	_, err = h.SetUp(ctx, link, "Fenmarch Workshop", "Europe/Dublin", store.NewPerson{Email: "eve@fenmarch.example.org", Name: "Eve"}, sessionPassword, "tablet", sessionNow)
	sessionWantKind(t, "an old set-up link", err, fault.NotFound)
	people, err := h.People(ctx, second)
	if err != nil || len(people) != 1 {
		t.Errorf("%+v, %v", people, err)
	}
}

func TestPeopleAreAddedOnceAndRefusedWithWordsBesideTheField(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	for name, tc := range map[string]struct {
		person store.NewPerson
		off    []string
	}{
		"nothing":                    {store.NewPerson{}, []string{"email", "name", "role"}},
		"a name where an address is": {store.NewPerson{Email: "Tom <tom@example.org>", Name: "Tom", Role: access.Helper}, []string{"email"}},
		"no domain":                  {store.NewPerson{Email: "tom", Name: "Tom", Role: access.Helper}, []string{"email"}},
		"too long":                   {store.NewPerson{Email: strings.Repeat("t", 250) + "@example.org", Name: strings.Repeat("n", 201), Role: access.Helper}, []string{"email", "name"}},
		"a role of our own":          {store.NewPerson{Email: "tom@example.org", Name: "Tom", Role: "admin"}, []string{"role"}},
		"registered already":         {store.NewPerson{Email: "MARA@quillmoor.example.org", Name: "Mara", Role: access.Helper}, []string{"email"}},
	} {
		_, err := h.AddPerson(ctx, h.owner, store.Entry{}, tc.person, sessionNow)
		if f := fault.As(err); f == nil || cmp.Diff(tc.off, f.Names()) != "" {
			t.Errorf("%s: %v, want faults beside %v", name, err, tc.off)
		}
	}
	entry := store.Entry{Key: uuid.New()}
	tom := store.NewPerson{Email: " tom@example.org ", Name: " Tom Reed ", Role: access.Helper}
	first, err := h.AddPerson(ctx, h.owner, entry, tom, sessionNow)
	if err != nil || first == "" {
		t.Fatal(err)
	}
	again, err := h.AddPerson(ctx, h.owner, entry, tom, sessionNow)
	if err != nil || again != "" {
		t.Errorf("the same form again: %q, %v", again, err)
	}
	people, err := h.People(ctx, h.owner.Workshop)
	if err != nil || len(people) != 2 || people[1].Email != "tom@example.org" || people[1].Name != "Tom Reed" || people[1].HasSignIn {
		t.Errorf("%+v, %v", people, err)
	}
	personVerify(t, h)
}

func TestTheLastOwnerStaysOne(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	sessionWantKind(t, "demoted", h.ChangeRole(ctx, h.owner, store.Entry{}, h.owner.Person, access.Maker), fault.Conflict)
	sessionWantKind(t, "disabled", h.DisablePerson(ctx, h.owner, store.Entry{}, h.owner.Person, true), fault.Conflict)
	tom, _ := personAdd(t, h, "tom@quillmoor.example.org", "Tom Reed", access.Owner)
	if err := h.DisablePerson(ctx, h.owner, store.Entry{}, tom, true); err != nil {
		t.Fatal(err)
	}
	sessionWantKind(t, "a disabled owner is none", h.ChangeRole(ctx, h.owner, store.Entry{}, h.owner.Person, access.Maker), fault.Conflict)
	sessionWantKind(t, "a role of our own", h.ChangeRole(ctx, h.owner, store.Entry{}, tom, "admin"), fault.Invalid)
	sessionWantKind(t, "nobody", h.ChangeRole(ctx, h.owner, store.Entry{}, store.PersonID(uuid.New()), access.Maker), fault.NotFound)
	personVerify(t, h)
}

func TestTwoOwnersWhoDemoteEachOtherAtOnceLeaveOne(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	tom, _ := personAdd(t, h, "tom@quillmoor.example.org", "Tom Reed", access.Owner)
	tomWho := store.Who{Workshop: h.owner.Workshop, Person: tom, Role: access.Owner, Actor: "person"}
	for round := range 5 {
		var wg sync.WaitGroup
		var errs [2]error
		wg.Go(func() { errs[0] = h.ChangeRole(context.Background(), h.owner, store.Entry{}, tom, access.Maker) })
		wg.Go(func() {
			errs[1] = h.ChangeRole(context.Background(), tomWho, store.Entry{}, h.owner.Person, access.Maker)
		})
		wg.Wait()
		refused := 0
		for _, err := range errs {
			if err != nil {
				refused++
				sessionWantKind(t, "the later one", err, fault.Conflict)
			}
		}
		if refused != 1 {
			t.Fatalf("round %d: %d refused, want 1: %v", round, refused, errs)
		}
		for _, id := range []store.PersonID{tom, h.owner.Person} {
			if err := h.ChangeRole(t.Context(), h.owner, store.Entry{}, id, access.Owner); err != nil {
				t.Fatal(err)
			}
		}
	}
	personVerify(t, h)
}

func TestADisabledPersonIsOutAtOnceAndInEveryWay(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	tom, cookie := personAdd(t, h, "tom@quillmoor.example.org", "Tom Reed", access.Helper)
	signIn, err := h.SignInLink(ctx, h.owner.Workshop, "tom@quillmoor.example.org", sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	password, err := h.NewPasswordLink(ctx, h.owner, tom, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	if err := h.DisablePerson(ctx, h.owner, store.Entry{}, tom, true); err != nil {
		t.Fatal(err)
	}
	out := func(when string) {
		t.Helper()
		_, err := h.Session(ctx, cookie, sessionNow)
		sessionWantKind(t, when+": the session", err, fault.Sign)
		_, err = h.SignInByLink(ctx, signIn, "tablet", sessionNow)
		sessionWantKind(t, when+": the sign-in link", err, fault.NotFound)
		_, err = h.SetPassword(ctx, password, "nine-copper-ladles", "tablet", sessionNow)
		sessionWantKind(t, when+": the password link", err, fault.NotFound)
	}
	out("disabled")
	_, _, err = h.SignIn(ctx, "tom@quillmoor.example.org", sessionPassword, "tablet", sessionNow)
	sessionWantKind(t, "the password", err, fault.Invalid)
	_, err = h.SignInLink(ctx, h.owner.Workshop, "tom@quillmoor.example.org", sessionNow)
	sessionWantKind(t, "a new sign-in link", err, fault.NotFound)
	_, err = h.NewPasswordLink(ctx, h.owner, tom, sessionNow)
	sessionWantKind(t, "a new password link", err, fault.NotFound)
	if err := h.DisablePerson(ctx, h.owner, store.Entry{}, tom, false); err != nil {
		t.Fatal(err)
	}
	out("enabled again, what was open before")
	if _, _, err := h.SignIn(ctx, "tom@quillmoor.example.org", sessionPassword, "tablet", sessionNow); err != nil {
		t.Errorf("enabled again, with the password: %v", err)
	}
	personVerify(t, h)
}

func TestANewRoleHoldsOnTheNextPage(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	tom, cookie := personAdd(t, h, "tom@quillmoor.example.org", "Tom Reed", access.Helper)
	if err := h.ChangeRole(t.Context(), h.owner, store.Entry{}, tom, access.Viewer); err != nil {
		t.Fatal(err)
	}
	session, err := h.Session(t.Context(), cookie, sessionNow)
	if err != nil || session.Who.Role != access.Viewer {
		t.Errorf("%q, %v", session.Who.Role, err)
	}
}

func TestAChangedPasswordEndsEverySessionAndOpenLink(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	one, two := sessionOpen(t, h, sessionNow), sessionOpen(t, h, sessionNow)
	link, err := h.SignInLink(ctx, h.owner.Workshop, sessionAddress, sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.ChangePassword(ctx, h.owner, "not-my-password", "short", "tablet", sessionNow)
	if f := fault.As(err); f == nil || cmp.Diff([]string{"old", "password"}, f.Names()) != "" {
		t.Errorf("both faults at once: %v", err)
	}
	if _, err := h.Session(ctx, one, sessionNow); err != nil {
		t.Errorf("a refused change ends nothing: %v", err)
	}
	mine, err := h.ChangePassword(ctx, h.owner, sessionPassword, "nine-copper-ladles", "tablet", sessionNow)
	if err != nil {
		t.Fatal(err)
	}
	for name, cookie := range map[string]string{"one": one, "two": two} {
		_, err := h.Session(ctx, cookie, sessionNow)
		sessionWantKind(t, name, err, fault.Sign)
	}
	_, err = h.SignInByLink(ctx, link, "tablet", sessionNow)
	sessionWantKind(t, "the open link", err, fault.NotFound)
	if _, err := h.Session(ctx, mine, sessionNow); err != nil {
		t.Errorf("one's own goes on under a new cookie: %v", err)
	}
	_, _, err = h.SignIn(ctx, sessionAddress, sessionPassword, "tablet", sessionNow)
	sessionWantKind(t, "the old password", err, fault.Invalid)
	personVerify(t, h)
}

func TestAPersonOfAnotherWorkshopIsNobodyHere(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	second := sessionSecondShop(t, h)
	if _, err := h.AddPerson(ctx, store.Who{Workshop: second, Actor: "system"}, store.Entry{}, store.NewPerson{Email: "ann@fenmarch.example.org", Name: "Ann Fen", Role: access.Owner}, sessionNow); err != nil {
		t.Fatal(err)
	}
	people, err := h.People(ctx, second)
	if err != nil {
		t.Fatal(err)
	}
	ann := people[0].ID
	_, linkErr := h.NewPasswordLink(ctx, h.owner, ann, sessionNow)
	_, mailErr := h.SignInLink(ctx, h.owner.Workshop, "ann@fenmarch.example.org", sessionNow)
	for what, err := range map[string]error{
		"role":          h.ChangeRole(ctx, h.owner, store.Entry{}, ann, access.Viewer),
		"disable":       h.DisablePerson(ctx, h.owner, store.Entry{}, ann, true),
		"password link": linkErr,
		"sign-in link":  mailErr,
	} {
		sessionWantKind(t, what, err, fault.NotFound)
	}
	after, err := h.People(ctx, second)
	if diff := cmp.Diff(people, after); err != nil || diff != "" {
		t.Errorf("%v: %s", err, diff)
	}
}
