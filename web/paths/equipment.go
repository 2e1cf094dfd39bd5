package paths

import "net/url"

// Equipment is the list; Gear is one piece of it by its code.
func Equipment() string              { return "/equipment" }
func NewEquipment() string           { return "/equipment/new" }
func Gear(code string) string        { return "/equipment/" + seg(code) }
func CorrectGear(code string) string { return Gear(code) + "/correct" }

// Log is the workshop's log; LogOf one kind of entry or those about a piece of equipment, either may be empty.
func Log() string { return "/log" }
func LogOf(kind, gear string) string {
	q := url.Values{}
	for name, v := range map[string]string{"kind": kind, "equipment": gear} {
		if v != "" {
			q.Set(name, v)
		}
	}
	if len(q) == 0 {
		return Log()
	}
	return Log() + "?" + q.Encode()
}

// NewLog asks what is written; NewLogOf is the form of one kind about something, with "other" where it is not equipment.
func NewLog() string { return "/log/new" }
func NewLogOf(kind, gear, about string) string {
	q := url.Values{"kind": {kind}, "equipment": {gear}, "about": {about}}
	return NewLog() + "?" + q.Encode()
}
func LogEntry(id string) string   { return "/log/" + seg(id) }
func CorrectLog(id string) string { return "/log/" + seg(id) + "/correct" }
