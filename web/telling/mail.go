package tellingpages

import (
	"context"
	"net/http"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/mail"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type mailView struct {
	store.RecallMail
	Clock   ui.Clock
	From    string
	Place   string
	MayTell bool
	Key     string
	Fault   *fault.Fault
}

func (a Area) mailOf(r *ui.Request) (mailView, int, error) {
	n, err := number(r)
	if err == nil && a.Mail == nil {
		err = fault.New(fault.NotFound, "No mail server is set up here.")
	}
	if err != nil {
		return mailView{}, 0, err
	}
	m, err := a.Store.RecallMail(r.HTTP.Context(), r.Who.Workshop, n)
	return mailView{RecallMail: m, Clock: r.Clock(), From: a.Mail.From, Place: a.Mail.Place(), MayTell: r.May(access.Dispatch) && m.Open(), Key: ui.NewKey()}, n, err
}

// Mailing shows the e-mail and who gets it, before anything is sent, and afterwards what became of it.
func (a Area) Mailing(r *ui.Request) error {
	v, _, err := a.mailOf(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("E-mail of "+v.Code(), "trace"), mailPage(v))
}

// Send sends it to all who did not get this text yet, one by one. It goes on after the answer; a second press finds each
// one taken.
func (a Area) Send(r *ui.Request) error {
	v, n, err := a.mailOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key = f.Raw("entry_key")
	switch {
	case !v.Open():
		err = fault.New(fault.Conflict, v.Code()+" is closed: nothing more is sent.")
	case !v.Text.Saved() || f.Raw(fieldSeen) != v.Text.Seen():
		err = fault.New(fault.Conflict, "The text has changed since the page was opened. Look at it again before it is sent.")
	case strings.ContainsAny(v.Text.Body, "[]"):
		err = fault.New(fault.Conflict, "The text still holds words in square brackets, which are yours to write. Edit and save it first.")
	case v.Due() == 0:
		err = fault.New(fault.Conflict, "Everybody with an address got it already.")
	default:
		if _, err = r.Entry(); err == nil {
			err = r.Throttle("mail:"+store.Text(r.Who.Workshop), 20, filesWindow)
		}
	}
	if err != nil {
		return r.Refuse(err, r.Page("E-mail of "+v.Code(), "trace"), func(said *fault.Fault) templ.Component {
			v.Fault = said
			return mailPage(v)
		})
	}
	who, at := r.Who, r.Now
	_, domain, _ := strings.Cut(strings.TrimSuffix(a.Mail.From, ">"), "@")
	r.Log("e-mails", "of", v.Code(), "to", v.Due(), "person", store.Text(who.Person), "workshop", store.Text(who.Workshop))
	r.Go(func(ctx context.Context) {
		for _, l := range v.Lines {
			if !l.Due() || ctx.Err() != nil {
				continue
			}
			try, err := a.Store.TryMail(ctx, who, n, v.Text, l.Code, domain)
			if fault.As(err) != nil {
				continue // somebody else sends it, or it cannot be sent any more
			}
			if err == nil {
				said := ""
				if err := a.Mail.Send(ctx, mail.Message{To: try.Address, Subject: v.Text.Subject, Body: v.Text.Body, ID: try.MessageID, At: at}); err != nil {
					said = err.Error()
				}
				// What became of it is stored even where the program is told to end just now.
				err = a.Store.SettleMail(context.WithoutCancel(ctx), who, try, said)
			}
			if err != nil {
				r.Log("e-mail not stored", "of", v.Code(), "customer", l.Code, "error", err.Error())
				return
			}
		}
	})
	return r.SeeOther(paths.RecallMail(n), "The e-mails are on their way, one by one.")
}
