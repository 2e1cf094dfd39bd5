package api

import (
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"strings"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Problem is a problem document (RFC 9457). Its type is about:blank, so that title and status say the same.
type Problem struct {
	Type    string   `json:"type" doc:"about:blank: the status says what kind of problem it is"`
	Title   string   `json:"title" doc:"The status in words"`
	Status  int      `json:"status"`
	Detail  string   `json:"detail" doc:"What is wrong, for people"`
	Request string   `json:"request" doc:"The number of this request in the server's log"`
	Errors  []Detail `json:"errors,omitempty" nullable:"false" doc:"Each thing that is wrong"`
	More    int64    `json:"more,omitempty" doc:"How many more things are wrong than errors tells"`
}

// Detail is one thing that is wrong.
type Detail struct {
	Location string `json:"location" doc:"Where: [3].humidity_pct in a list that counts from 0, batch_inputs.csv:17: source_batch in an import, or the name of a parameter"`
	Message  string `json:"message"`
}

func (p *Problem) Error() string { return p.Detail }

type requestKey struct{}

func requestID(r *http.Request) string {
	id, _ := r.Context().Value(requestKey{}).(string)
	return id
}

// problem writes a problem document.
func (s *site) problem(w http.ResponseWriter, r *http.Request, p Problem) {
	p.Type, p.Title, p.Request = "about:blank", http.StatusText(p.Status), requestID(r)
	body, err := json.MarshalIndent(p, "", "  ")
	if err != nil {
		panic(err) // texts and numbers only
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	_, _ = w.Write(append(body, '\n')) // nobody waits any more where this fails
}

// sorry answers an error: the one place where it becomes a status.
func (s *site) sorry(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		s.house.Log.Info("nobody waits for the answer any more", "request", requestID(r), "path", r.URL.Path)
		return
	}
	var p *Problem
	var large *http.MaxBytesError
	f := fault.As(err)
	switch {
	case errors.As(err, &p):
	case errors.As(err, &large):
		p = &Problem{Status: http.StatusRequestEntityTooLarge, Detail: "The body has more than " + strconv.FormatInt(large.Limit, 10) + " bytes, which are the most here."}
	case f != nil:
		p = ofFault(f)
		switch {
		case f.Kind == fault.Sign:
			w.Header().Set("WWW-Authenticate", `Bearer realm="stillroom"`)
		case f.RetryAfter > 0:
			w.Header().Set("Retry-After", strconv.Itoa(f.RetryAfter))
		}
	case store.IsDown(err):
		p = &Problem{Status: http.StatusServiceUnavailable, Detail: "The database does not answer just now. Try again in a moment."}
		w.Header().Set("Retry-After", "2")
	default:
		p = &Problem{Status: http.StatusInternalServerError, Detail: "Something went wrong. If it happens again, tell the owner the number of the request."}
	}
	if p.Status >= 500 {
		s.house.Log.Error("failed", "request", requestID(r), "method", r.Method, "path", r.URL.Path, "error", err.Error())
	}
	s.problem(w, r, *p)
}

func ofFault(f *fault.Fault) *Problem {
	p := &Problem{Status: ui.StatusOf(f), Detail: f.Message}
	for _, field := range f.Fields {
		p.Errors = append(p.Errors, Detail{Location: field.Name, Message: field.Message})
	}
	if p.Detail == "" {
		p.Detail = strings.TrimSpace(f.Error())
	}
	return p
}

// unsupported says which content types the address takes.
func unsupported(takes string) error {
	return &Problem{Status: http.StatusUnsupportedMediaType, Detail: "Send " + takes + " and say so in Content-Type."}
}
