package complaint

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/reporting"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

var cameOptions = []ui.Option{{Value: "telephone", Label: "Telephone"}, {Value: "email", Label: "E-mail"}, {Value: "letter", Label: "Letter"}, {Value: "in_person", Label: "In person"}, {Value: "message", Label: "Message or post online"},
	{Value: "stockist", Label: "Through a stockist"}, {Value: "other", Label: "Another way"}}

var kindOptions = []ui.Option{
	{Value: "quality", Label: "Quality", Hint: "It is not as it should be; nobody was harmed."},
	{Value: "undesirable", Label: "Undesirable effect", Hint: "A reaction of a person: itch, rash, sting."},
	{Value: "serious", Label: "Serious undesirable effect", Hint: "One of the list below, or in doubt."},
}

var kindWords = map[reporting.Kind]string{reporting.Quality: "Quality", reporting.Undesirable: "Undesirable effect", reporting.Serious: "Serious undesirable effect"}

var marketOptions = []ui.Option{{Value: "eu", Label: "European Union"}, {Value: "uk", Label: "United Kingdom"}, {Value: "us", Label: "United States"}, {Value: "other", Label: "Elsewhere"}}

var followOptions = []ui.Option{{Value: "call", Label: "Call"}, {Value: "letter", Label: "Letter or e-mail"}, {Value: "test", Label: "Test or look at a unit"}, {Value: "medical", Label: "Medical news"}, {Value: "authority", Label: "Authority told"},
	{Value: "decision", Label: "Decision"}, {Value: "other", Label: "Something else"}}

var followWords = wordsOf(followOptions)

func wordsOf(options []ui.Option) map[string]string {
	words := map[string]string{}
	for _, o := range options {
		words[o.Value] = o.Label
	}
	return words
}

func labelOf(options []ui.Option, value string) string { return wordsOf(options)[value] }

// kindState is a kind as a mark and a word.
func kindState(k reporting.Kind) (mark, word string) {
	switch k {
	case reporting.Serious:
		return "stop", "Serious"
	case reporting.Undesirable:
		return "care", "Undesirable"
	}
	return "wait", "Quality"
}

// standing is where a complaint is.
func standing(c store.Complaint) (mark, word string) {
	switch {
	case c.ErasedAt != nil:
		return "wait", "Closed, erased"
	case c.ClosedAt != nil:
		return "good", "Closed"
	}
	return "care", "Open"
}

// laws says which of the two lists names a criterion.
func laws(c reporting.Criterion) string {
	switch {
	case c.EU && c.US:
		return "EU, UK and US"
	case c.EU:
		return "EU and UK"
	}
	return "US"
}

func criteriaWords(keys []string) string {
	var list []string
	for _, c := range reporting.Criteria {
		for _, k := range keys {
			if c.Key == k {
				list = append(list, c.Words)
			}
		}
	}
	if len(list) == 0 {
		return "Not said yet which"
	}
	return strings.Join(list, "; ")
}

func (v pageView) title() string { return "Complaint " + v.Code() }

// sub is what it is about, in a line.
func (v pageView) sub() string {
	return beside(kindWords[v.Kind], v.ProductName)
}

// clockState says how a clock stands.
func (v pageView) clockState(c reporting.Clock) (mark, words string) {
	style := v.Clock.Style
	today := day.In(v.Now, v.Clock.Zone)
	by := "without delay"
	if !c.Due.IsZero() {
		by = "by " + style.Day(c.Due)
	}
	switch {
	case !c.Open() && !c.Due.IsZero() && c.ToldOn.After(c.Due):
		return "care", "Told " + style.Day(c.ToldOn) + ", after " + style.Day(c.Due)
	case !c.Open():
		return "good", "Told " + style.Day(c.ToldOn)
	case c.Overdue(today) && c.Due.IsZero():
		return "stop", "To be told without delay; " + plural(today.DaysSince(c.From), "day", "days") + " have passed"
	case c.Overdue(today):
		return "stop", "Was to be told by " + style.Day(c.Due)
	}
	return "care", "To be told " + by
}

// clocksKind is how loudly the clocks speak.
func (v pageView) clocksKind() string {
	kind := ""
	for _, c := range v.Clocks() {
		switch {
		case c.Overdue(day.In(v.Now, v.Clock.Zone)):
			return "stop"
		case c.Open():
			kind = "care"
		}
	}
	return kind
}

// spoken are the changes as people tell them: that it was signed stands with what came of it.
func (v pageView) spoken() []store.RowChange {
	out := slices.Clone(v.Changes)
	for i := range out {
		out[i].Fields = slices.DeleteFunc(slices.Clone(out[i].Fields), func(f store.FieldChange) bool { return f.Field == "Signature" })
	}
	return out
}

// clockWords says which rule a clock follows.
func clockWords(style measure.Style, c reporting.Clock) string {
	from := style.Day(c.From)
	switch {
	case c.Market == reporting.US && c.News:
		return "New medical information of " + from + ": within 15 business days (United States, MoCRA section 605)."
	case c.Market == reporting.US:
		return "Came in on " + from + ": a report within 15 business days, with a copy of the label (United States, MoCRA section 605). Holidays are not counted out, so this is the earlier day."
	case c.Market == reporting.UK:
		return "Came in on " + from + ": to the authority without delay (United Kingdom, Regulation 1223/2009 as retained, Article 23)."
	}
	return "Came in on " + from + ": to the authority of the member state where it happened, without delay (European Union, Regulation 1223/2009, Article 23)."
}

// keepWords says until when a closed complaint is to be kept.
func (v pageView) keepWords() string {
	keep := v.Keep()
	switch {
	case v.Open():
		return "While it is open it is needed, and nothing is erased."
	case !keep.Until.IsZero():
		return "United States: records of adverse events are kept 6 years, by a small business 3 (MoCRA section 605). Counted from the closing, to be on the safe side: until " + v.Clock.Style.Day(keep.Until) + ", by a small business until " + v.Clock.Style.Day(keep.Small) + ". Confirm with the authority."
	case v.Market == reporting.US:
		return "No fixed time is known here for complaints of quality. Confirm with the authority."
	}
	return "No fixed time for complaints is known here for where it was sold. Confirm with the authority, and ask whoever advises you."
}

// mayErase tells whether the owner is shown the form.
func (v pageView) mayErase() bool {
	return v.MayOwn && !v.Open() && v.ErasedAt == nil && (v.EraseFrom().IsZero() || !day.In(v.Now, v.Clock.Zone).Before(v.EraseFrom()))
}

// rated is a share of units with its range, in percent.
func rated(share float64, low, high float64) string {
	return fmt.Sprintf("%s (%s to %s)", pct(share), pct(low), pct(high))
}

func pct(x float64) string {
	switch p := 100 * x; {
	case p == 0:
		return "0 %"
	case p < 0.01:
		return "under 0.01 %"
	case p < 1:
		return strconv.FormatFloat(p, 'f', 2, 64) + " %"
	case p < 10:
		return strconv.FormatFloat(p, 'f', 1, 64) + " %"
	default:
		return strconv.FormatFloat(p, 'f', 0, 64) + " %"
	}
}

// chanceWords is a probability as people read one.
func chanceWords(p float64) string {
	switch {
	case p < 0.001:
		return "under 0.001"
	case p > 0.995:
		return "1"
	case p < 0.1:
		return strconv.FormatFloat(p, 'f', 3, 64)
	default:
		return strconv.FormatFloat(p, 'f', 2, 64)
	}
}

// standsOut is the bound that tests mark: common practice, no source.
const standsOut = 0.05

// traitName is what a trait is called.
func traitName(style measure.Style, t store.Trait) string {
	switch {
	case t.Kind == "temperature":
		low, err := decimal.NewFromString(t.Code)
		if err != nil {
			return t.Code
		}
		return "Room at making: from " + style.Degrees(low) + " to under " + style.Degrees(low.Add(decimal.NewFromInt(2)))
	case t.Kind == "humidity":
		low, err := strconv.Atoi(t.Code)
		if err != nil {
			return t.Code
		}
		if low == 90 {
			return "Room at making: from 90 % to 100 % humidity"
		}
		return fmt.Sprintf("Room at making: from %d %% to under %d %% humidity", low, low+10)
	case t.Kind == "place":
		return "Made at: " + t.Name
	case t.Kind == "maker":
		return "Made by: " + t.Name
	case t.Kind == "version":
		return "Formula: " + t.Name
	case strings.HasPrefix(t.Kind, "equipment "):
		kind := strings.TrimPrefix(t.Kind, "equipment ")
		if kind == "other" {
			kind = "equipment"
		}
		return strings.ToUpper(kind[:1]) + kind[1:] + ": " + t.Name
	}
	return t.Name
}

// traitPath leads to what a condition is about, where it has a page.
func traitPath(t store.Trait) string {
	switch {
	case t.Kind == "version":
		return paths.Formula(t.Code)
	case strings.HasPrefix(t.Kind, "equipment "):
		return paths.Gear(t.Code)
	}
	return ""
}

// inWords says a trait's counts in plain words.
func inWords(t store.Trait) string {
	asked, others := t.Table.With+t.Table.Without, t.Table.OthersWith+t.Table.OthersWithout
	words := fmt.Sprintf("in %d of %d complained about, and in ", t.Table.With, asked)
	if others == 0 {
		return words + "no other to compare with"
	}
	return words + fmt.Sprintf("%d of %d others", t.Table.OthersWith, others)
}

// which are the ways to look at the list.
func (v listView) which() []ui.Link {
	f := v.Filter
	list := []ui.Link{{Href: paths.Complaints(), Words: "Open", Current: f.OpenOnly && f.Kind == ""}, {Href: paths.Complaints() + "?show=all", Words: "All", Current: !f.OpenOnly && f == (store.ComplaintFilter{})}}
	for _, k := range kindOptions {
		list = append(list, ui.Link{Href: paths.ComplaintsOf("kind", k.Value), Words: k.Label + "s", Current: !f.OpenOnly && f.Kind == k.Value})
	}
	list[2].Words = "Quality"
	return list
}

func (v listView) caption() string {
	f := v.Filter
	words := "All, the newest first"
	if f.OpenOnly {
		words = "Open, the newest first"
	}
	if about := beside(kindWords[reporting.Kind(f.Kind)], f.Product, f.Packing, f.Customer); about != "" {
		words += ": " + about
	}
	return words
}

func (v listView) none() string {
	if v.Filter.OpenOnly {
		return "No complaint is open."
	}
	return "No complaint like this is in the book."
}

func lower(words string) string {
	if words == "" {
		return ""
	}
	return strings.ToLower(words[:1]) + words[1:]
}

// mayChange follows the store's rule for one entry.
func (v pageView) mayChange(f store.FollowUp) bool {
	own := f.Person == v.Person && v.Clock.Date(f.At) == v.Clock.Date(v.Now)
	return v.MayAny || own
}

// outcome is what was typed, or what the last closing said.
func (v pageView) outcome() string {
	if v.Sent == "close" {
		return v.Typed
	}
	return v.Outcome
}

// reason is what was typed in one of the page's forms.
func (v pageView) reason(form string) string {
	if v.Sent == form {
		return v.Reason
	}
	return ""
}

// reasonID is the id of a form's box: the one that was sent has the field's own, so that the summary leads to it. Reopening and
// erasing never stand open together unsent, but both stand on the page of a closed complaint.
func (v pageView) reasonID(form string) string {
	if v.Sent == form {
		return fieldReason
	}
	return fieldReason + "-" + form
}

func (v followView) key(withdraw bool) string {
	if v.Withdraw == withdraw {
		return v.Key
	}
	return ui.NewKey()
}

func (v followView) reason(withdraw bool) string {
	if v.Withdraw == withdraw {
		return v.Form.Reason
	}
	return ""
}

func (v followView) reasonID(withdraw bool) string {
	if v.Withdraw == withdraw {
		return "f-" + fieldReason
	}
	return "f-" + fieldReason + "-other"
}
