package main

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"regexp"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/store/floor"
	"example.org/stillroom/web/paths"
)

// mistype puts another digit in the place of one, so that the check character does not fit.
func mistype(code string, n int) string {
	digits := []int{}
	for at := range len(code) - 1 {
		if code[at] >= '0' && code[at] <= '9' {
			digits = append(digits, at)
		}
	}
	at := digits[n%len(digits)]
	for step := byte(1); ; step++ {
		other := code[:at] + string('0'+(code[at]-'0'+step)%10) + code[at+1:]
		if !batchcode.Valid(other) {
			return other
		}
	}
}

var firstBatch = regexp.MustCompile(`href="(/(?:batches|packings)/[^"/]+)"`)

// measureFind looks up codes as they stand on a unit, and with one digit wrong. The exact one leads on to its page; for
// the other, the list of what may be meant is shown, and its first line is followed.
func (r *run) measureFind(ctx context.Context) (err error) {
	if err := floor.Settle(ctx, r.place.owner); err != nil {
		return err
	}
	t, err := serveStore(ctx, r.place.store, &r.place.clock, r.place.cookie)
	if err != nil {
		return err
	}
	defer t.close()
	code := func(n int) string { return r.maker.code(n * 7919 % r.maker.n) }
	exact := func(n int) error {
		t.clock.every(40, n)
		status, to, err := t.get(ctx, paths.Find(code(n)), nil)
		if err != nil {
			return err
		}
		if status != http.StatusSeeOther {
			return fmt.Errorf("the look-up of %s answered %d", code(n), status)
		}
		return t.page(ctx, to, nil)
	}
	mistyped := func(n int) error {
		var shown bytes.Buffer
		wrong := mistype(code(n), n)
		if err := t.page(ctx, paths.Find(wrong), &shown); err != nil {
			return err
		}
		to := firstBatch.FindSubmatch(shown.Bytes())
		if to == nil || !bytes.Contains(shown.Bytes(), []byte(code(n))) {
			return fmt.Errorf("the look-up of %s does not show %s", wrong, code(n))
		}
		return t.page(ctx, string(to[1]), nil)
	}
	f, ours, err := inTurns(r.rounds*40, exact, mistyped)
	if err != nil {
		return err
	}
	r.results = append(r.results, result{what: "look-up of a mistyped code and its page, against an exact one", floor: spell(f), ours: spell(ours), ratio: ours.Seconds() / f.Seconds(), most: 3})
	return nil
}
