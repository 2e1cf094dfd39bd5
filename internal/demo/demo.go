// Package demo is an invented workshop, Quillmoor Workshop, with two years of work. It is written through the
// same store methods as real entries, under the owner role, which alone may date a record back; seeded, so that two
// demos of one day are alike, and relative to the day it is made. People, firms, addresses and formulas are invented,
// and nobody should make what stands in the formulas.
package demo

import (
	"container/heap"
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// OwnerEmail is the address that the demo's one-time link signs in.
const OwnerEmail = "mara@quillmoor.example.org"

// contact is what stands under the workshop's letters, drillMinutes what it wants a drill to take at most.
const (
	contact      = "Mara Thistle, Quillmoor Workshop\nThe Old Maltings, Weir Lane, Quillmoor\n00 555 0100\nhello@quillmoor.example.org"
	drillMinutes = 240
)

// ErrOther says that the database holds a workshop that is not the demo.
var ErrOther = errors.New("this data folder holds another workshop; the demo does not touch it")

// Seed fills an empty workshop, as the owner role, with the two years before now. A demo that is there already is
// left as it is. progress is told how far it is, from 0 to 1.
func Seed(ctx context.Context, s *store.Store, workshop store.Workshop, now time.Time, progress func(done float64)) error {
	return seed(ctx, s, workshop, now, begun, progress)
}

// seed tells the story from so many days before today.
func seed(ctx context.Context, s *store.Store, workshop store.Workshop, now time.Time, from int, progress func(done float64)) error {
	if workshop.IsDemo {
		return nil
	}
	if workshop.Named {
		return ErrOther
	}
	loc, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		loc = time.UTC
	}
	d := &maker{ctx: ctx, s: s, workshop: workshop.ID, loc: loc, end: now, begun: from, people: map[string]store.Who{}, progress: progress, sent: map[string]parcel{}, known: map[string]bool{}, done: map[string]bool{}}
	d.today = day.In(now, loc)
	d.clock = d.on(d.begun, 8, 0)
	d.begin = d.clock
	if err := d.house(); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	if err := d.calendar(); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	if err := d.run(); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	if progress != nil {
		progress(1)
	}
	return nil
}

// maker walks through the calendar; clock is the moment that entries are dated with.
type maker struct {
	ctx        context.Context
	s          *store.Store
	workshop   store.WorkshopID
	loc        *time.Location
	today      day.Day
	begun      int // days from today that the book begins
	begin, end time.Time
	clock      time.Time
	people     map[string]store.Who
	events     agenda
	sequence   int
	progress   func(float64)
	left       []leftOver
	packed     []string             // all packings
	waiting    []unsigned           // those that nobody has released yet
	stock      []store.ProductStock // as it was counted last
	countedAt  time.Time
	sent       map[string]parcel // the last one, by customer
	known      map[string]bool   // online buyers who are in the book
	done       map[string]bool   // what is told once
	complained []string          // packings that somebody complained about
}

// event is something that happens at a moment.
type event struct {
	at time.Time
	n  int // order of those at the same moment
	do func() error
}

type agenda []event

func (a agenda) Len() int { return len(a) }
func (a agenda) Less(i, j int) bool {
	return a[i].at.Before(a[j].at) || a[i].at.Equal(a[j].at) && a[i].n < a[j].n
}
func (a agenda) Swap(i, j int) { a[i], a[j] = a[j], a[i] }
func (a *agenda) Push(x any)   { *a = append(*a, x.(event)) }
func (a *agenda) Pop() any {
	old := *a
	last := old[len(old)-1]
	*a = old[:len(old)-1]
	return last
}

// at notes something for later. What would come after now has not happened yet and is left out, and
// so is what a shorter story does not go back to.
func (d *maker) at(when time.Time, do func() error) {
	if when.After(d.end) || when.Before(d.begin) {
		return
	}
	d.sequence++
	heap.Push(&d.events, event{when, d.sequence, do})
}

// after notes something so many minutes from the clock.
func (d *maker) after(minutes int, do func() error) {
	d.at(d.clock.Add(time.Duration(minutes)*time.Minute), do)
}

func (d *maker) run() error {
	for d.events.Len() > 0 {
		next := heap.Pop(&d.events).(event)
		d.clock = next.at
		if err := next.do(); err != nil {
			return fmt.Errorf("%s: %w", next.at.In(d.loc).Format("2 Jan 15:04"), err)
		}
		if d.progress != nil {
			d.progress(float64(d.clock.Sub(d.begin)) / float64(d.end.Sub(d.begin)))
		}
	}
	return nil
}

// on is a moment of a day counted from today, in the workshop's zone.
func (d *maker) on(days, hour, minute int) time.Time {
	return d.today.AddDays(days).Start(d.loc).Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute)
}

// date is the day of the clock.
func (d *maker) date() day.Day { return day.In(d.clock, d.loc) }

// by is a person acting at the clock's moment.
func (d *maker) by(name string) store.Who {
	who := d.people[name]
	who.RecordTime = d.clock
	return who
}

// house opens the workshop and its people.
func (d *maker) house() error {
	system := store.Who{Workshop: d.workshop, Actor: "system", RecordTime: d.clock}
	if err := d.s.OpenDemo(d.ctx, system, "Quillmoor Workshop", d.loc.String(), contact, drillMinutes); err != nil {
		return err
	}
	for _, p := range []struct {
		key, email, name string
		role             access.Role
	}{
		{"mara", OwnerEmail, "Mara Thistle", access.Owner},
		{"jun", "jun@quillmoor.example.org", "Jun Ferrow", access.Maker},
		{"pia", "pia@quillmoor.example.org", "Pia Lund", access.Helper},
	} {
		if _, err := d.s.AddPerson(d.ctx, system, store.Entry{}, store.NewPerson{Email: p.email, Name: p.name, Role: p.role}, d.end); err != nil {
			return err
		}
	}
	return d.meet()
}

// meet learns who is in the book by now.
func (d *maker) meet() error {
	people, err := d.s.People(d.ctx, d.workshop)
	if err != nil {
		return err
	}
	for _, p := range people {
		// Mara Thistle is called mara.
		key := strings.ToLower(strings.Fields(p.Name)[0])
		d.people[key] = store.Who{Workshop: d.workshop, Person: p.ID, Name: p.Name, Role: access.Role(p.Role), Actor: "command", Device: "demo"}
	}
	return nil
}

func num(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func some(text string) decimal.NullDecimal {
	if text == "" {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(num(text))
}

// Password gives the demo's owner a new random password, which signs releases there, and answers it.
func Password(ctx context.Context, s *store.Store, workshop store.WorkshopID, now time.Time) (string, error) {
	people, err := s.People(ctx, workshop)
	if err != nil {
		return "", err
	}
	for _, p := range people {
		if p.Email != OwnerEmail {
			continue
		}
		link, err := s.NewPasswordLink(ctx, store.Who{Workshop: workshop, Actor: "command"}, p.ID, now)
		if err != nil {
			return "", err
		}
		secret := make([]byte, 9)
		rand.Read(secret)
		password := base64.RawURLEncoding.EncodeToString(secret)
		_, err = s.SetPassword(ctx, link, password, "demo", now)
		return password, err
	}
	return "", fmt.Errorf("demo: its owner %s is gone", OwnerEmail)
}

// really answers yes with a reason where the store asks about something outside its limits.
func really(err error, reason string, again func(store.Really) error) error {
	if f := fault.As(err); f != nil && f.Of("really") != "" {
		return again(store.Really{Yes: true, Reason: reason})
	}
	return err
}
