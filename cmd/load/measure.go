package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// result is one line of the table: what Stillroom does beside what could be done at best, and the ratio of both.
type result struct {
	what, floor, ours string
	ratio             float64
	// least is for a rate, which may be no less than so much of the floor's; else the ratio may be no more than most.
	least, most float64
	note        string
}

func (r result) holds() bool {
	if r.least > 0 {
		return r.ratio >= r.least
	}
	return r.ratio <= r.most
}

// printTable is what a person reads, and what stands in DEVELOPERS.md.
func printTable(w io.Writer, list []result) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(out, "what\tfloor\tours\tratio\ttarget\tholds")
	for _, r := range list {
		target, holds := fmt.Sprintf("<= %g", r.most), "no"
		if r.least > 0 {
			target = fmt.Sprintf(">= %g", r.least)
		}
		if r.holds() {
			holds = "yes"
		}
		fmt.Fprintf(out, "%s\t%s\t%s\t%.2f\t%s\t%s\n", r.what, r.floor, r.ours, r.ratio, target, holds)
	}
	if err := out.Flush(); err != nil {
		return err
	}
	for _, r := range list {
		if r.note != "" {
			if _, err := fmt.Fprintf(w, "%s: %s\n", r.what, r.note); err != nil {
				return err
			}
		}
	}
	return nil
}

func median[T time.Duration | float64](list []T) T {
	sorted := slices.Clone(list)
	slices.Sort(sorted)
	return sorted[len(sorted)/2]
}

// spell writes a time with three figures.
func spell(d time.Duration) string {
	switch {
	case d < 10*time.Millisecond:
		return fmt.Sprintf("%.2f ms", d.Seconds()*1000)
	case d < time.Second:
		return fmt.Sprintf("%.0f ms", d.Seconds()*1000)
	}
	return fmt.Sprintf("%.1f s", d.Seconds())
}

func rate(perSecond float64) string {
	if perSecond >= 1000 {
		return fmt.Sprintf("%.1f k/s", perSecond/1000)
	}
	return fmt.Sprintf("%.0f/s", perSecond)
}

// inTurns runs both, one after the other, so that what else the machine does meets them alike; the first times are not
// counted. It answers the median of each.
func inTurns(times int, floor, ours func(round int) error) (f, o time.Duration, err error) {
	const warm = 3
	var fs, os []time.Duration
	for round := range times + warm {
		for _, side := range []struct {
			do   func(int) error
			into *[]time.Duration
		}{{floor, &fs}, {ours, &os}} {
			began := time.Now()
			if err := side.do(round); err != nil {
				return 0, 0, err
			}
			if round >= warm {
				*side.into = append(*side.into, time.Since(began))
			}
		}
	}
	return median(fs), median(os), nil
}

func list(words []string) string { return strings.Join(words, ", ") }
