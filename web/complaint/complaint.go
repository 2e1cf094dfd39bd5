// Package complaint is what customers report: written down on the telephone, followed to its end, counted, and searched
// for what the batches share.
package complaint

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/reporting"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Area serves complaints.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page.
const (
	fieldReceived = "received"
	fieldCameBy   = "came_by"
	fieldName     = "name"
	fieldEmail    = "email"
	fieldPhone    = "phone"
	fieldCustomer = "customer"
	fieldProduct  = "product"
	fieldPacking  = "packing"
	fieldCode     = "code_said"
	fieldBoughtAt = "bought_at"
	fieldBoughtOn = "bought_on"
	fieldHappened = "happened_on"
	fieldWhat     = "what"
	fieldKind     = "kind"
	fieldCriteria = "criteria"
	fieldMarket   = "market"
	fieldReason   = "reason"
	fieldSeen     = "seen"
	fieldLook     = "look"
	fieldFollow   = "follow_kind"
	fieldAt       = "at"
	fieldWords    = "words"
	fieldWithdraw = "withdraw"
	fieldFile     = "file"
	fieldOutcome  = "outcome"
	fieldPassword = "password"
	fieldSure     = "sure"
	fieldOf       = "of"
)

// labels are the words above each field, for the summary of what is off.
var labels = map[string]string{
	fieldReceived: "Came in", fieldCameBy: "How it came", fieldName: "Name", fieldEmail: "E-mail", fieldPhone: "Telephone", fieldCustomer: "Customer of the book", fieldProduct: "Product", fieldPacking: "Which it is",
	fieldCode: "Code as read out", fieldBoughtAt: "Where it was bought", fieldBoughtOn: "Bought on, about", fieldHappened: "When it happened", fieldWhat: "What happened", fieldKind: "What kind",
	fieldCriteria: "What makes it serious", fieldMarket: "Sold in", fieldReason: "Why", fieldFollow: "What was done", fieldAt: "When", fieldWords: "In words", fieldFile: "Photo", fieldOutcome: "What came of it",
	fieldPassword: "Your password", fieldSure: "No longer required", fieldOf: "Complaints or batches",
}

// number is the complaint that the address names.
func number(r *ui.Request) (int, error) {
	text := r.Param("n")
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > 1<<31-1 || strconv.Itoa(n) != text {
		return 0, fault.New(fault.NotFound, "There is no such complaint.")
	}
	return n, nil
}

// read is the complaint that the address names.
func (a Area) read(r *ui.Request) (store.ComplaintPage, error) {
	n, err := number(r)
	if err != nil {
		return store.ComplaintPage{}, err
	}
	return a.Store.Complaint(r.HTTP.Context(), r.Who.Workshop, n)
}

// query is a value from the address as text that can be looked up.
func query(r *ui.Request, name string) string {
	text := strings.TrimSpace(strings.ReplaceAll(strings.ToValidUTF8(r.HTTP.URL.Query().Get(name), ""), "\x00", ""))
	if long := []rune(text); len(long) > 200 {
		text = string(long[:200])
	}
	return text
}

type listView struct {
	Clock  ui.Clock
	List   []store.Complaint
	Filter store.ComplaintFilter
	Pages  ui.Pages
	MayLog bool
}

// Complaints lists them, the newest first: open ones, or with ?show=all every one; ?kind=, ?product=, ?packing= and ?customer=
// choose.
func (a Area) Complaints(r *ui.Request) error {
	v := listView{Clock: r.Clock(), MayLog: r.May(access.Complain), Filter: store.ComplaintFilter{OpenOnly: query(r, "show") != "all", Kind: query(r, fieldKind), Product: query(r, fieldProduct), Packing: query(r, fieldPacking), Customer: query(r, fieldCustomer)}}
	if v.Filter.Kind != "" && !slices.Contains(reporting.Kinds, reporting.Kind(v.Filter.Kind)) {
		return fault.New(fault.NotFound, "There is no such kind of complaint.")
	}
	list, next, err := a.Store.Complaints(r.HTTP.Context(), r.Who.Workshop, v.Filter, r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	v.List, v.Pages = list, r.Pages(next)
	return r.Render(http.StatusOK, r.Page("Complaints", "complaints"), listPage(v))
}

type pageView struct {
	store.ComplaintPage
	Clock  ui.Clock
	Now    time.Time
	Look   looked // what it can have been, where nobody has decided
	Keys   map[string]string
	Follow followForm
	// Sent is the form that was refused, by its path's last part; Fault is why.
	Sent                                                    string
	Fault                                                   *fault.Fault
	Typed, Reason                                           string // as it was typed: the outcome, the reason
	Sure                                                    bool
	Person                                                  store.PersonID // who looks at it
	MayLog, MayCorrect, MayAny, MayClose, MayReopen, MayOwn bool
}

// key is the entry key of one of the page's forms.
func (v pageView) key(form string) string {
	if k := v.Keys[form]; k != "" {
		return k
	}
	return ui.NewKey()
}

// fault is what is off in one of the page's forms.
func (v pageView) fault(form, field string) string {
	if v.Sent != form {
		return ""
	}
	return v.Fault.Of(field)
}

// Complaint shows one with all that was done about it.
func (a Area) Complaint(r *ui.Request) error {
	v, err := a.page(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "complaints"), onePage(v))
}

func (a Area) page(r *ui.Request) (pageView, error) {
	p, err := a.read(r)
	if err != nil {
		return pageView{}, err
	}
	kept := p.ErasedAt == nil
	v := pageView{ComplaintPage: p, Clock: r.Clock(), Now: r.Now, Follow: followForm{At: r.Clock().Input(r.Now)}, MayLog: kept && r.May(access.Complain), MayCorrect: kept && mayCorrect(r, p.By, p.At),
		MayClose: kept && p.Open() && r.May(access.Decide), MayReopen: kept && !p.Open() && r.May(access.CorrectAny), MayOwn: r.May(access.Recall), MayAny: r.May(access.CorrectAny), Person: r.Who.Person}
	if v.MayLog && p.Packing == "" && (p.CodeSaid != "" || p.Product != "" || p.BoughtAt != "") {
		v.Look, err = a.look(r, asked{Code: p.CodeSaid, Product: p.Product, Place: p.BoughtAt, Bought: p.BoughtOn})
	}
	return v, err
}

// mayCorrect follows the store's rule, so that nobody is shown a form that it would refuse.
func mayCorrect(r *ui.Request, by store.PersonID, at time.Time) bool {
	own := by == r.Who.Person && r.Clock().Date(at) == r.Clock().Date(r.Now)
	return r.May(access.CorrectAny) || own && r.May(access.CorrectOwn)
}
