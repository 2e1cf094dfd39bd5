// Package rates says how sure a share is, and whether something is met more often in one group than in another. It counts
// and compares; what the figures mean is for the maker and those she asks to say.
package rates

import "math"

// z is the quantile of the normal distribution that 2.5 % lie above.
const z = 1.959963984540054

// Interval is a range of shares, both ends between 0 and 1.
type Interval struct{ Low, High float64 }

// Wilson gives the range in which the share lies of which k in n are a sample, sure to 95 %: the score interval of E. B.
// Wilson (1927), without a correction for continuity. It is at home with few and with none, where the plain share of 0 in 3
// would say "never". Of nothing (n = 0) nothing is known: 0 to 1. k outside 0 to n counts as its nearer end.
func Wilson(k, n int) Interval {
	if n <= 0 {
		return Interval{0, 1}
	}
	k = min(max(k, 0), n)
	size, p := float64(n), float64(k)/float64(n)
	middle := p + z*z/(2*size)
	reach := z * math.Sqrt(p*(1-p)/size+z*z/(4*size*size))
	whole := 1 + z*z/size
	i := Interval{max((middle-reach)/whole, 0), min((middle+reach)/whole, 1)}
	if k == 0 {
		i.Low = 0 // which rounding may miss by a hair
	}
	if k == n {
		i.High = 1
	}
	return i
}

// Table counts how often something is met among those in question and among all others.
type Table struct {
	With, Without             int // in question
	OthersWith, OthersWithout int
}

// Share is how many of those in question have it, and OthersShare how many of the others, from 0 to 1; 0 of nobody.
func (t Table) Share() float64 { return share(t.With, t.Without) }

// OthersShare is the share among all others.
func (t Table) OthersShare() float64 { return share(t.OthersWith, t.OthersWithout) }

func share(with, without int) float64 {
	if with+without <= 0 {
		return 0
	}
	return float64(with) / float64(with+without)
}

// Chance is how often so many or more of those in question would have it if it had nothing to do with them: R. A. Fisher's
// exact test (1935), one-sided, from 0 to 1. Where nobody is in question, or nobody has it, it is 1.
func (t Table) Chance() float64 {
	inQuestion, having := t.With+t.Without, t.With+t.OthersWith
	all := inQuestion + t.OthersWith + t.OthersWithout
	if min(t.With, t.Without, t.OthersWith, t.OthersWithout) < 0 || all == 0 {
		return 1
	}
	// Of `all`, `having` have it; inQuestion are drawn: the hypergeometric distribution from With on. The first term by
	// logarithms, as its parts are beyond any float; each next one from it.
	term := math.Exp(choose(having, t.With) + choose(all-having, inQuestion-t.With) - choose(all, inQuestion))
	sum := 0.0
	for k := t.With; k <= min(inQuestion, having); k++ {
		sum += term
		term *= float64(having-k) * float64(inQuestion-k) / (float64(k+1) * float64(all-having-inQuestion+k+1))
	}
	return min(sum, 1)
}

// choose is the logarithm of n over k.
func choose(n, k int) float64 {
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k + 1))
	return a - b - c
}
