// Package access decides who may do what: four roles, each holding every right of the one before it.
// Source: Stillroom's own design, "Who may"; the table is kept in testdata/access and tests hold this package to it.
package access

import "example.org/stillroom/internal/fault"

// Role is what a person of a workshop is there, as it is stored and as `user add --role` takes it.
type Role string

const (
	Viewer Role = "viewer" // sees everything of the workshop, changes nothing
	Helper Role = "helper" // works at the bench and at the door
	Maker  Role = "maker"  // answers for what was made: corrects, decides, approves, releases
	Owner  Role = "owner"  // answers for the workshop: recalls, people, settings, data in and out
)

// Right is one thing that a role may or may not do. Every route names the right it asks for.
type Right string

const (
	Read           Right = "read"            // read, trace forward and backward, see a recall's list
	Receive        Right = "receive"         // receive material lots
	Bench          Right = "bench"           // weigh, do steps, read controls: all entries at the bench
	Pack           Right = "pack"            // pack units and count them
	Dispatch       Right = "dispatch"        // dispatches, returns, unit moves
	Complain       Right = "complain"        // write down a customer's complaint
	CorrectOwn     Right = "correct own"     // correct one's own entries of the same day
	CorrectAny     Right = "correct any"     // correct or void anybody's entry, of any day
	Decide         Right = "decide"          // decide deviations
	ApproveFormula Right = "approve formula" // make a formula version immutable and usable
	EditFormula    Right = "edit formula"    // draft formulas and products
	ReleaseLot     Right = "release lot"     // let a material lot out of quarantine
	Release        Right = "release"         // sign bulk and packings out of quarantine
	Recall         Right = "recall"          // open and close recalls and drills
	RejectLot      Right = "reject lot"      // reject a lot, or re-admit a rejected one
	People         Right = "people"          // invite, disable, change roles
	Settings       Right = "settings"        // the workshop's name, zone, code pattern and the like
	Import         Right = "import"
	Export         Right = "export"
	Tokens         Right = "tokens" // API tokens
)

// ranks gives each role its place in rising order. An unknown role has none, so it may nothing.
var ranks = map[Role]int{Viewer: 1, Helper: 2, Maker: 3, Owner: 4}

// lowest is the table "Who may", each right under the lowest role that holds it. An unknown right is absent, so
// nobody may: a route that asks for a misspelt right is shut rather than open.
var lowest = map[Right]Role{
	Read: Viewer,

	Receive:    Helper,
	Bench:      Helper,
	Pack:       Helper,
	Dispatch:   Helper,
	Complain:   Helper,
	CorrectOwn: Helper,

	CorrectAny:     Maker,
	Decide:         Maker,
	ApproveFormula: Maker,
	EditFormula:    Maker,
	ReleaseLot:     Maker,
	Release:        Maker,

	Recall:    Owner,
	RejectLot: Owner,
	People:    Owner,
	Settings:  Owner,
	Import:    Owner,
	Export:    Owner,
	Tokens:    Owner,
}

// May tells whether the role holds the right. An unknown role or right is no.
func May(role Role, right Right) bool {
	rank, known := ranks[role]
	if !known {
		return false
	}
	from, known := lowest[right]
	return known && rank >= ranks[from]
}

// Roles lists all roles in rising order.
func Roles() []Role { return []Role{Viewer, Helper, Maker, Owner} }

// Rights lists all rights in the order of the table, lowest role first.
func Rights() []Right {
	return []Right{
		Read,
		Receive, Bench, Pack, Dispatch, Complain, CorrectOwn,
		CorrectAny, Decide, ApproveFormula, EditFormula, ReleaseLot, Release,
		Recall, RejectLot, People, Settings, Import, Export, Tokens,
	}
}

// ParseRole reads a role as forms and the command line give it: exactly one of the four names. Anything else is an
// Invalid fault without a field, so that the form decides beside which box it stands.
func ParseRole(text string) (Role, error) {
	role := Role(text)
	if _, known := ranks[role]; !known {
		return "", fault.New(fault.Invalid, "Choose viewer, helper, maker or owner")
	}
	return role, nil
}
