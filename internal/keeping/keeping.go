// Package keeping says how long papers are kept for an authority. It computes dates from periods that a law names, and
// never that something is lawful: what binds a workshop, it confirms with the authority of the place.
//
// Sources: Regulation (EC) 1223/2009, Articles 7 and 11, from memory; the United Kingdom retains it with the same periods
// (SI 2019/696, Schedule 34: that it exists was read, the periods from memory). Federal Food, Drug, and Cosmetic Act,
// section 605 as MoCRA wrote it: 6 years, and 3 for small businesses (read at soapguild.org and
// unitedregulatorylogistics.com, which are secondary). 21 CFR 701.20 was read in the copy at accessdata.fda.gov, current as
// of 22 December 2023. A period of years ends on the day of the same number, and where the last month has none, on its
// last day: Regulation (EEC, Euratom) 1182/71, Article 3(2)(c).
package keeping

import (
	"slices"
	"strings"

	"example.org/stillroom/internal/day"
)

// Markets where a workshop may sell, in the order in which they are written.
const (
	EU = "eu"
	UK = "uk"
	US = "us"
)

// Markets are those that a workshop has said, in order; all of them where it has said none.
func Markets(said string) []string {
	if said == "" {
		return []string{EU, UK, US}
	}
	return strings.Split(said, ",")
}

// Join writes the markets of a list as they are stored, each once and in order.
func Join(list []string) string {
	var in []string
	for _, m := range []string{EU, UK, US} {
		if slices.Contains(list, m) {
			in = append(in, m)
		}
	}
	return strings.Join(in, ",")
}

// SuppliedYears is how long it is kept who was supplied with a batch, from the day on which they were (Article 7).
const SuppliedYears = 3

// ProductYears is how long a product's information file is kept, from the day on which its last batch was placed on the
// market (Article 11).
const ProductYears = 10

// Reports of adverse events are kept six years, by a small business three (FD&C Act, section 605).
const (
	ReportYears      = 6
	ReportYearsSmall = 3
)

// Supplied is until when it is kept who was supplied with a batch, counted from the last supply: an earlier one's period is
// over by then too.
func Supplied(last day.Day) day.Day { return last.AddMonths(12 * SuppliedYears) }

// ProductFile is until when the product information is kept.
func ProductFile(lastPlaced day.Day) day.Day { return lastPlaced.AddMonths(12 * ProductYears) }

// Report is until when the report of an adverse event is kept that came on a day.
func Report(received day.Day, small bool) day.Day {
	if small {
		return received.AddMonths(12 * ReportYearsSmall)
	}
	return received.AddMonths(12 * ReportYears)
}

// Paper is one of the parts of a product information file (Article 11(2), from memory).
type Paper struct {
	Kind  string // as documents have it
	Name  string
	About string
}

// Papers are the parts of a product information file.
func Papers() []Paper {
	return []Paper{
		{"description", "Description of the product", "What it is, so that the rest can be clearly tied to it."},
		{"safety_report", "Safety report", "The cosmetic product safety report, signed by who assessed it."},
		{"method", "Method of making and statement on good manufacturing practice", "The formulas and batch records in this book tell how each batch was made; the statement is a paper of its own."},
		{"proof", "Proof of the effect", "Where the product claims one."},
		{"animal_testing", "Data on animal testing", "What is known of it, of the product and its ingredients; also where there was none."},
	}
}
