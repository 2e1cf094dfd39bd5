package bench

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Off shows the form for something that no limit shows.
func (a Area) Off(r *ui.Request) error {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return err
	}
	return s.show(r, http.StatusOK, "Something is off", offPage(s))
}

// NoteOff keeps it as a deviation.
func (a Area) NoteOff(r *ui.Request) error {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return err
	}
	f := r.Form()
	what, reason := f.Must(fieldWhat, 1000, "Say what is off."), f.Text(fieldReason, 1000)
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.NoteDeviation(r.HTTP.Context(), who(r), entry, s.Batch.Code, what, reason)
	}
	if err != nil {
		return s.refuse(r, err, "Something is off", func(s screen) templ.Component {
			s.Typed = typedOf(r, fieldWhat, fieldReason)
			return offPage(s)
		})
	}
	return r.SeeOther(paths.Bench(s.Batch.Code), "Noted. It waits for a maker's decision.")
}

// weighed tells whether anything was ever weighed into the batch: then its code cannot be taken back.
func (s screen) weighed() bool {
	for _, l := range s.Batch.Lines {
		if len(l.Inputs) > 0 {
			return true
		}
	}
	return len(s.Batch.Additions) > 0
}

// End shows how a batch that goes no further is ended: void before the first weighing, else rejected.
func (a Area) End(r *ui.Request) error {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return err
	}
	return s.show(r, http.StatusOK, "This batch goes no further", endPage(s))
}

// Void takes back a code that was given before anything was weighed.
func (a Area) Void(r *ui.Request) error {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return err
	}
	f := r.Form()
	reason := f.Must(fieldReason, 1000, "Say why.")
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.VoidBatch(r.HTTP.Context(), who(r), entry, s.Batch.Code, reason)
	}
	if err != nil {
		return s.refuse(r, err, "This batch goes no further", func(s screen) templ.Component {
			s.Typed = typedOf(r, fieldReason)
			return endPage(s)
		})
	}
	return r.SeeOther(paths.Batch(s.Batch.Code), "Batch "+s.Batch.Code+" is void. Its number is not given again.")
}

// rejectable tells whether this person may reject the batch now.
func (s screen) rejectable() bool { return s.MayEnd && (s.Open || s.Batch.Status == "quarantined") }
