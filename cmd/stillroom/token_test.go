package main

import (
	"strings"
	"testing"
	"time"

	"example.org/stillroom/internal/store"
)

func TestATokenIsPrintedOnceAndAlone(t *testing.T) {
	t.Parallel()
	db, id := book(t)
	env := []string{"STILLROOM_DATABASE_URL=" + db.OwnerURL}
	s, err := store.Open(t.Context(), db.AppURL)
	check(t, err)
	t.Cleanup(s.Close)
	for name, tc := range map[string]struct {
		args     []string
		readOnly bool
		says     string
	}{
		"a full one":      {[]string{"token", "create", "Logger"}, false, "stores readings"},
		"a read-only one": {[]string{"token", "create", "Nightly", "--read-only"}, true, "stores nothing"},
	} {
		got := run(t, env, tc.args...)
		wantStatus(t, name, got, 0)
		text, rest, _ := strings.Cut(got.out, "\n")
		bearer, err := s.TokenWho(t.Context(), text, time.Now())
		if err != nil || rest != "" || bearer.ReadOnly != tc.readOnly || bearer.Who.Workshop != id || bearer.Who.Device != tc.args[2] {
			t.Errorf("%s: %v, %+v, out %q", name, err, bearer, got.out)
		}
		if !strings.Contains(got.errs, tc.says) || strings.Contains(got.errs, text) {
			t.Errorf("%s: it says %q", name, got.errs)
		}
	}
	for name, tc := range map[string]struct {
		args   []string
		status int
		says   string
	}{
		"a name that is had": {[]string{"token", "create", "Logger"}, 1, "Revoke it first"},
		"an empty name":      {[]string{"token", "create", ""}, 1, "what the token is for"},
		"no name":            {[]string{"token", "create"}, 2, "1 arg"},
		"nothing to do":      {[]string{"token"}, 2, "say what to do"},
		"what is not done":   {[]string{"token", "show", "Logger"}, 2, `"token show"`},
	} {
		got := run(t, env, tc.args...)
		wantStatus(t, name, got, tc.status)
		if got.out != "" || !strings.Contains(got.errs, tc.says) {
			t.Errorf("%s: out %q, err %q", name, got.out, got.errs)
		}
	}
}
