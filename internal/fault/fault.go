// Package fault is the one way Stillroom says no to a person: a kind, a sentence in a maker's words, and the
// fields it belongs to. Anything that is not a Fault is a defect and is shown as a request id only.
package fault

import (
	"errors"
	"sort"
	"strings"
)

// Kind decides the HTTP status and the exit status; nothing else may.
type Kind string

const (
	Invalid   Kind = "invalid"   // what was typed cannot be taken: 422
	NotFound  Kind = "not found" // no such thing in this workshop: 404
	Conflict  Kind = "conflict"  // it was true when the page was drawn and no longer is: 409
	Forbidden Kind = "forbidden" // this role may not: 403
	TooMany   Kind = "too many"  // come back later: 429
	TooLarge  Kind = "too large" // more bytes than are taken: 413
	Sign      Kind = "sign in"   // nobody is signed in: 401
)

// Field names the form field a sentence belongs to.
type Field struct {
	Name    string
	Message string
}

// Fault is an error for people.
type Fault struct {
	Kind    Kind
	Message string
	Fields  []Field
	// RetryAfter is in seconds, for TooMany.
	RetryAfter int
}

func (f *Fault) Error() string {
	if len(f.Fields) == 0 {
		return f.Message
	}
	parts := make([]string, 0, len(f.Fields))
	for _, field := range f.Fields {
		parts = append(parts, field.Name+": "+field.Message)
	}
	if f.Message == "" {
		return strings.Join(parts, "; ")
	}
	return f.Message + " (" + strings.Join(parts, "; ") + ")"
}

// Of returns the message beside the named field, empty where there is none.
func (f *Fault) Of(name string) string {
	if f == nil {
		return ""
	}
	for _, field := range f.Fields {
		if field.Name == name {
			return field.Message
		}
	}
	return ""
}

// New makes a fault without fields.
func New(kind Kind, message string) *Fault { return &Fault{Kind: kind, Message: message} }

// In makes an invalid fault for one field.
func In(name, message string) *Fault {
	return &Fault{Kind: Invalid, Fields: []Field{{Name: name, Message: message}}}
}

// As returns the fault in err's chain, or nil.
func As(err error) *Fault {
	var f *Fault
	if errors.As(err, &f) {
		return f
	}
	return nil
}

// Is tells whether err is a fault of that kind.
func Is(err error, kind Kind) bool {
	f := As(err)
	return f != nil && f.Kind == kind
}

// Fields gathers the faults of one form, so that all are told at once.
type Fields struct{ list []Field }

// Add notes a fault beside a field; the first one for a field stays.
func (f *Fields) Add(name, message string) {
	for _, have := range f.list {
		if have.Name == name {
			return
		}
	}
	f.list = append(f.list, Field{Name: name, Message: message})
}

// Check adds err's message beside a field when err is not nil.
func (f *Fields) Check(name string, err error) {
	if err != nil {
		f.Add(name, err.Error())
	}
}

// Any tells whether something was noted.
func (f *Fields) Any() bool { return len(f.list) > 0 }

// Err is nil where nothing was noted, else an Invalid fault with all of it, in the order it was noted.
func (f *Fields) Err() error {
	if len(f.list) == 0 {
		return nil
	}
	return &Fault{Kind: Invalid, Fields: append([]Field(nil), f.list...)}
}

// Names lists the fields of a fault in byte order, for tests and logs.
func (f *Fault) Names() []string {
	names := make([]string, 0, len(f.Fields))
	for _, field := range f.Fields {
		names = append(names, field.Name)
	}
	sort.Strings(names)
	return names
}
