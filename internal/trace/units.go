package trace

// Units are the counts of one packing, or of several added up, from the ledger of units.
//
// Each return ends up restocked, on hold or destroyed, so a ledger that adds up has
// Returned = RestockedOrHeld + Destroyed.
type Units struct {
	Good            int // packed as good
	Dispatched      int // sent, as dispatched: returns are not taken off
	Returned        int // all that came back, whatever became of it
	RestockedOrHeld int // of those: back in stock, or held; both are on hand
	Destroyed       int // of those: destroyed
	Used            int // drawn by other batches, such as sets and reprocessing
	Moved           int // unit moves, signed: a tester that left is -1, a unit found in a count is +1
}

// Add gives the counts of both together.
func (u Units) Add(v Units) Units {
	return Units{
		Good:            u.Good + v.Good,
		Dispatched:      u.Dispatched + v.Dispatched,
		Returned:        u.Returned + v.Returned,
		RestockedOrHeld: u.RestockedOrHeld + v.RestockedOrHeld,
		Destroyed:       u.Destroyed + v.Destroyed,
		Used:            u.Used + v.Used,
		Moved:           u.Moved + v.Moved,
	}
}

// OnHand gives the units in the house, held ones too: good − dispatched + returned to stock or on hold − used in
// other batches + unit moves (design, "Stock").
func OnHand(u Units) int {
	return u.Good - u.Dispatched + u.RestockedOrHeld - u.Used + u.Moved
}

// AccountedPct gives how much of what was made can be told of, in percent: 100 × (on hand + dispatched − returned +
// destroyed + used + moved out) ÷ good (design, "Stock"). Moved out is the moves turned round: units found in a count
// lessen it. It is 100 exactly where the returns add up, so that anything else points at a ledger that does not.
// ok is false where nothing good was made; then there is no percentage, not 0 and not 100.
func AccountedPct(u Units) (pct float64, ok bool) {
	return accounted(u.Good, OnHand(u), u.Dispatched, u.Returned, u.Destroyed, u.Used, u.Moved)
}

// AccountedCounted is AccountedPct where somebody went and looked: found is what stood on the shelf, instead of what the
// ledger says is on hand. Units that nobody finds take from it, those that are too many add to it.
func AccountedCounted(u Units, found int) (pct float64, ok bool) {
	return accounted(u.Good, found, u.Dispatched, u.Returned, u.Destroyed, u.Used, u.Moved)
}

func accounted(good, onHand, dispatched, returned, destroyed, used, moved int) (pct float64, ok bool) {
	if good <= 0 {
		return 0, false
	}
	return float64(100*(onHand+dispatched-returned+destroyed+used-moved)) / float64(good), true
}
