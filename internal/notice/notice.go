// Package notice drafts what tells people of a recall: a letter and an e-mail to customers by name, a notice for a shop
// and a text for a web page, from the recall's facts. Each is a draft to be read and edited.
//
// What the public notice holds follows Article 36 of Regulation (EU) 2023/988 on general product safety. The regulation
// itself was not read here, only secondary sources, in excerpts: "Standardised template for a recall notice"
// (ibf-solutions.com), "Template for a Recall Notice" (produktkanzlei.com, 7 June 2024), a Russian translation of the
// article up to paragraph 2(b) (base.garant.ru/408631399), and "Conducting a recall" of the Irish consumer authority
// (ccpc.ie). From them: the heading, a picture, name and identification of the product, when and where it was sold, a hazard
// without words that make it smaller ("voluntary", "in rare situations", "in specific situations"), a clear description of
// what to do with stopping its use at once, and the remedies. From memory: "precautionary", "discretionary", saying that no
// accidents were reported, and a free telephone number or an interactive online service. Whether a product falls under the
// article, and in which languages the notice has to be, is for the law of the place.
package notice

import (
	"regexp"
	"strings"
)

// Heading is what the public notice is headed by.
const Heading = "Product safety recall"

// Product is one product of a recall with what its units bear.
type Product struct {
	Name  string
	Units []Mark
}

// Mark is what stands on units.
type Mark struct {
	Code       string
	BestBefore string // as printed; empty for none
}

// Facts are what all texts are made of.
type Facts struct {
	Workshop string
	Reason   string
	Hazard   string
	ToDo     string
	Remedy   string
	Contact  string
	Products []Product
	From, To string // first and last day of sale, written out; empty where nothing was sold
	Picture  bool   // the page has one
}

// Kinds of texts, in the order in which they are shown.
const (
	Letter     = "letter"
	Email      = "email"
	ShopNotice = "shop_notice"
	WebText    = "web_text"
)

// Kinds are all of them.
var Kinds = []string{Letter, Email, ShopNotice, WebText}

// Public tells whether a text is for anybody who reads it: Article 36 is about those.
func Public(kind string) bool { return kind == ShopNotice || kind == WebText }

// Subject is the draft of an e-mail's subject.
func (f Facts) Subject() string { return Heading + ": " + f.names() }

// Draft is the text of a kind, as paragraphs with an empty line between.
func (f Facts) Draft(kind string) string {
	stop := "Please stop using these units at once, and stop selling them. Keep them apart until you have heard from us or sent them back."
	if Public(kind) {
		stop = "Stop using these units at once."
	}
	parts := []string{Heading, f.units(kind)}
	if f.Reason != "" {
		parts = append(parts, "Why: "+f.Reason)
	}
	parts = append(parts, "Hazard: "+or(f.Hazard, "[Say what can happen, plainly.]"), "What to do: "+stop+"\n"+or(f.ToDo, "[Say what else to do: where to bring or send them.]"),
		"What you get: "+or(f.Remedy, "[Say what is offered: repair, replacement or refund.]"), "Where to turn: "+or(f.Contact, "[Name a telephone number that costs nothing, or a service online.]"))
	switch kind {
	case Letter:
		parts = append([]string{"To whom it may concern,", "you received units of a product that we recall."}, parts...)
		parts = append(parts, "Please tell us how many of them you still have, how many you destroyed, used or sold on, and tell those you sold them to.", f.Workshop)
	case Email:
		parts = append([]string{"Hello,", "you received units of a product that we recall."}, parts...)
		parts = append(parts, "Please answer this e-mail: how many of them do you still have, and how many did you destroy, use or sell on?", f.Workshop)
	case ShopNotice:
		parts = append(parts, "Please leave this notice where it can be seen.")
	case WebText:
		parts = append(parts, f.Workshop)
	}
	return strings.Join(parts, "\n\n")
}

func or(text, other string) string {
	if strings.TrimSpace(text) == "" {
		return other
	}
	return strings.TrimSpace(text)
}

func (f Facts) names() string {
	var names []string
	for _, p := range f.Products {
		names = append(names, p.Name)
	}
	return strings.Join(names, ", ")
}

// units says which units are meant.
func (f Facts) units(kind string) string {
	var lines []string
	for _, p := range f.Products {
		lines = append(lines, "Product: "+p.Name+", made by "+f.Workshop)
		for _, m := range p.Units {
			line := "- code on the units: " + m.Code
			if m.BestBefore != "" {
				line += ", best before " + m.BestBefore
			}
			lines = append(lines, line)
		}
	}
	if f.From != "" && f.From != f.To {
		lines = append(lines, "Sold from "+f.From+" to "+f.To+".")
	} else if f.From != "" {
		lines = append(lines, "Sold on "+f.From+".")
	}
	if Public(kind) && f.Picture {
		lines = append(lines, "See the picture.")
	}
	return strings.Join(lines, "\n")
}

// soft are words that make a hazard smaller than it is; see the package's comment for where each is from.
var soft = []struct {
	words *regexp.Regexp
	what  string
}{
	{regexp.MustCompile(`(?i)\bvoluntar(y|ily)\b`), "voluntary"},
	{regexp.MustCompile(`(?i)\bprecaution(s|ary)?\b`), "precautionary"},
	{regexp.MustCompile(`(?i)\bdiscretion(ary)?\b`), "discretionary"},
	{regexp.MustCompile(`(?i)\bin (very |extremely )?(rare|specific|certain|isolated|exceptional) (situation|case|circumstance|instance)s?\b`), "in rare or specific situations"},
	{regexp.MustCompile(`(?i)\b(no|not any|without)( \w+){0,2} (accident|incident|injur(y|ie))s?\b|\b(accident|incident|injur(y|ie))s?( \w+){0,3} (not|never)( \w+){0,2} reported\b`), "no accidents reported"},
}

// Soft gives what in a text takes the weight off a hazard, as it stands there, each once.
func Soft(text string) []string {
	var found []string
	for _, s := range soft {
		if at := s.words.FindString(text); at != "" {
			found = append(found, at)
		}
	}
	return found
}

// Lacks says in words what a public notice is asked to hold and does not, as far as a program can tell: a paragraph may be
// there and say nothing. Codes are those that units bear.
func Lacks(text string, f Facts) []string {
	low := strings.ToLower(text)
	var lacks []string
	add := func(there bool, words string) {
		if !there {
			lacks = append(lacks, words)
		}
	}
	add(strings.HasPrefix(strings.TrimSpace(low), strings.ToLower(Heading)), `the heading "`+Heading+`" first`)
	add(f.Picture, "a picture of the product")
	for _, p := range f.Products {
		add(strings.Contains(low, strings.ToLower(p.Name)), "the name "+p.Name)
		for _, m := range p.Units {
			add(strings.Contains(low, strings.ToLower(m.Code)), "the code "+m.Code)
		}
	}
	add(regexp.MustCompile(`(?i)hazard:\s*[^\s\[]`).MatchString(text), "the hazard")
	add(regexp.MustCompile(`stop (using|the use)|do not use`).MatchString(low), "to stop using it at once")
	add(regexp.MustCompile(`repair|replace|refund|money back`).MatchString(low), "the remedy: repair, replacement or refund")
	add(f.Contact != "" && strings.Contains(low, strings.ToLower(strings.TrimSpace(strings.SplitN(f.Contact, "\n", 2)[0]))), "where to turn")
	add(!strings.Contains(text, "["), "the words in square brackets, which are yours to write")
	return lacks
}
