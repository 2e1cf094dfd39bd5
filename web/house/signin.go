package house

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Tries at a password. Each counts before it is made, so that many at once are counted too. An account's tries are
// counted for each address by itself: somebody who guesses from elsewhere does not keep its person out. The count over
// all addresses is there for those who guess from many (100 is also the bound of NIST SP 800-63B, from memory).
const (
	triesWindow       = 15 * time.Minute
	triesHere         = 10 // at one account from one address
	triesAddress      = 60 // at any accounts from one address: a whole workshop may stand behind one
	triesAccount      = 100
	triesAccountSince = time.Hour
)

type signInView struct {
	Email, Next string
	Fault       *fault.Fault
}

type chooseView struct {
	Next    string
	Choices []store.WorkshopChoice
}

// SignIn shows the form; somebody who is signed in goes on to where they wanted.
func (a Area) SignIn(r *ui.Request) error {
	next := localPath(r.HTTP.URL.Query().Get(fieldNext))
	if r.Who.Person != (store.PersonID{}) {
		return r.SeeOther(next, "")
	}
	return r.Render(http.StatusOK, r.Page("Sign in", ""), signInPage(signInView{Next: next}))
}

// CheckSignIn signs in by password, or by the ticket of a workshop that was chosen.
func (a Area) CheckSignIn(r *ui.Request) error {
	f := r.Form()
	v := signInView{Email: f.Raw(fieldEmail), Next: localPath(f.Raw(fieldNext))}
	if ticket := f.Raw(fieldTicket); ticket != "" {
		return a.byLink(r, ticket, v.Next, "password")
	}
	email := f.Must(fieldEmail, 254, "Write your e-mail address.")
	if f.Raw(fieldPassword) == "" {
		f.Add(fieldPassword, "Write your password.")
	}
	err := f.Err()
	var cookie string
	var choose []store.WorkshopChoice
	if err == nil {
		cookie, choose, err = a.tryPassword(r, email, f.Raw(fieldPassword))
	}
	switch {
	case err != nil:
		return r.Refuse(err, r.Page("Sign in", ""), func(f *fault.Fault) templ.Component {
			v.Fault = f
			return signInPage(v)
		})
	case cookie == "":
		return r.Render(http.StatusOK, r.Page("Which workshop?", ""), choosePage(chooseView{Next: v.Next, Choices: choose}))
	}
	if err := a.enter(r, cookie, "password"); err != nil {
		return err
	}
	return r.SeeOther(v.Next, "")
}

func (a Area) tryPassword(r *ui.Request, email, password string) (string, []store.WorkshopChoice, error) {
	address := network(r.Address())
	account := accountKey(email)
	here := account + " from " + address
	err := r.Throttle("sign-in from "+address, triesAddress, triesWindow)
	if err == nil {
		err = r.Throttle(here, triesHere, triesWindow)
	}
	if err == nil {
		err = r.Throttle(account, triesAccount, triesAccountSince)
	}
	if err != nil {
		r.Log("sign-in throttled", "address", r.Address())
		return "", nil, err
	}
	cookie, choose, err := a.Store.SignIn(r.HTTP.Context(), email, password, r.Device(), r.Now)
	if err != nil {
		r.Log("sign-in refused", "address", r.Address())
		return "", nil, err
	}
	return cookie, choose, a.Store.ClearThrottle(r.HTTP.Context(), r.Now, account, here)
}

// accountKey names an account in the throttle's table, which no workshop owns, without its address.
func accountKey(email string) string {
	sum := sha256.Sum256([]byte(strings.ToLower(strings.TrimSpace(email))))
	return "sign-in " + hex.EncodeToString(sum[:])
}

// network is what one caller can change its address within: a /64 of IPv6, one address of IPv4.
func network(address string) string {
	ip, err := netip.ParseAddr(address)
	if err != nil || ip.Unmap().Is4() {
		return address
	}
	prefix, err := ip.WithZone("").Prefix(64)
	if err != nil {
		return address
	}
	return prefix.String()
}

// SignInByLink spends a one-time link: the one GET that changes something, so that a link can be clicked.
func (a Area) SignInByLink(r *ui.Request) error {
	return a.byLink(r, r.Param("link"), paths.Today(), "link")
}

func (a Area) byLink(r *ui.Request, link, next, by string) error {
	cookie, err := a.Store.SignInByLink(r.HTTP.Context(), link, r.Device(), r.Now)
	if err == nil {
		err = a.enter(r, cookie, by)
	}
	if err != nil {
		return err
	}
	return r.SeeOther(next, "")
}

// SignOut ends this browser's session.
func (a Area) SignOut(r *ui.Request) error {
	if err := a.Store.SignOut(r.HTTP.Context(), r.Cookie()); err != nil {
		return err
	}
	if r.Who.Person != (store.PersonID{}) {
		r.Log("signed out", "person", store.Text(r.Who.Person))
	}
	r.Keep("")
	return r.SeeOther(paths.SignIn(), "You are signed out.")
}
