package recallpages

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

const (
	fieldKind    = "kind"
	fieldCode    = "code"
	fieldPacking = "packing"
	fieldSeen    = "seen"
)

type unblockView struct {
	store.Recall
	Kind, Thing string // lot, batch or packing, and its code
	Name        string
	Key, Reason string
	Fault       *fault.Fault
}

// about says what goes on being blocked.
func (v unblockView) about() string {
	switch v.Kind {
	case "lot":
		return "Batches that it went into, and their packings, stay blocked: each is let go for itself."
	case "batch":
		return "Its packings stay on hold: each is let go for itself."
	}
	return "Its units may leave again, unless something else is in the way."
}

func (a Area) unblockOf(r *ui.Request, kind, code string) (unblockView, error) {
	n, err := number(r)
	if err != nil {
		return unblockView{}, err
	}
	page, err := a.Store.Recall(r.HTTP.Context(), r.Who.Workshop, n)
	if err != nil {
		return unblockView{}, err
	}
	v := unblockView{Recall: page.Recall, Kind: kind, Thing: code, Key: ui.NewKey()}
	name, known := blockedIn(page, kind, code)
	if !known {
		return v, fault.New(fault.NotFound, page.Code()+" does not cover that.")
	}
	v.Name = name
	return v, nil
}

// blockedIn finds something in the scope of a recall, and what it is.
func blockedIn(page store.RecallPage, kind, code string) (string, bool) {
	nodes := page.Lots
	switch kind {
	case "batch":
		nodes = page.Batches
	case "packing":
		for _, p := range page.Packings {
			if p.Code == code {
				return p.ProductName, true
			}
		}
		return "", false
	case "lot":
	default:
		return "", false
	}
	for _, n := range nodes {
		if n.Code == code {
			return n.Name, true
		}
	}
	return "", false
}

// UnblockForm asks why one lot, batch or packing may be used again.
func (a Area) UnblockForm(r *ui.Request) error {
	q := r.HTTP.URL.Query()
	v, err := a.unblockOf(r, q.Get(fieldKind), q.Get(fieldCode))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Let "+v.Thing+" be used again", "trace"), unblockPage(v))
}

// Unblock lets it be used again.
func (a Area) Unblock(r *ui.Request) error {
	f := r.Form()
	v, err := a.unblockOf(r, f.Raw(fieldKind), f.Raw(fieldCode))
	if err != nil {
		return err
	}
	v.Key, v.Reason = f.Raw("entry_key"), f.Raw(fieldReason)
	reason := f.Must(fieldReason, 1000, "Say what was found, and why it may be used again.")
	if err = f.Err(); err == nil {
		var entry store.Entry
		if entry, err = r.Entry(); err == nil {
			err = a.Store.Unblock(r.HTTP.Context(), r.Who, entry, v.Number, v.Kind, v.Thing, reason)
		}
	}
	if err == nil {
		return r.SeeOther(paths.Recall(v.Number), "No longer blocked by "+v.Code()+": "+v.Kind+" "+v.Thing+".")
	}
	return r.Refuse(err, r.Page("Let "+v.Thing+" be used again", "trace"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return unblockPage(v)
	})
}

// Count writes the units that were found on the shelf. A box left empty was not counted.
func (a Area) Count(r *ui.Request) error {
	n, err := number(r)
	if err != nil {
		return err
	}
	f := r.Form()
	counts, typed := parseCounts(f)
	if err = f.Err(); err == nil {
		var entry store.Entry
		if entry, err = r.Entry(); err == nil {
			err = a.Store.CountScope(r.HTTP.Context(), r.Who, entry, n, counts)
		}
	}
	if err == nil {
		return r.SeeOther(paths.Recall(n)+r.PagesAt()+"#stock", "The count is written down. What differs from the book is booked with “Move or count”.")
	}
	v, loadErr := a.load(r, n)
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page(v.Code()+": "+v.Title, "trace"), func(said *fault.Fault) templ.Component {
		v.Fault, v.Key = said, f.Raw("entry_key")
		for i, p := range v.Here() {
			if as, there := typed[p.Code]; there {
				v.Counted[i] = as
			}
		}
		return recallPage(v)
	})
}

// parseCounts reads a box a packing, by the index that it had on the page.
func parseCounts(f *ui.Form) (counts []store.ScopeCount, typed map[string]string) {
	typed = map[string]string{}
	for i, code := range f.All(fieldPacking) {
		raw := strings.TrimSpace(f.Raw(store.CountedField(i)))
		typed[code] = f.Raw(store.CountedField(i))
		c := store.ScopeCount{Packing: code}
		if raw != "" {
			units := f.Whole(store.CountedField(i), "")
			c.Counted = &units
		}
		if seen := f.All(fieldSeen); i < len(seen) {
			if was, err := strconv.Atoi(seen[i]); err == nil {
				c.Seen = &was
			}
		}
		counts = append(counts, c)
	}
	return counts, typed
}

// labels are the words above each field of the counts.
func (v recallView) labels() map[string]string {
	words := map[string]string{}
	for i, p := range v.Here() {
		words[store.CountedField(i)] = p.Code
	}
	return words
}

func countedField(i int) string { return store.CountedField(i) }

// seen is what stands as counted while the form is drawn.
func seen(p store.RecallPacking) string {
	if p.Counted == nil {
		return ""
	}
	return strconv.Itoa(*p.Counted)
}
