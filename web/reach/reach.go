// Package reachpages shows how far each lot in use reaches, before anything has happened.
package reachpages

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the page.
type Area struct{ Store *store.Store }

// The page goes through the reach of all lots, so it is bounded a person.
const (
	reachMost   = 30
	reachWindow = time.Minute
)

type view struct {
	store.LotsReach
	Shown   []store.LotReach // a page of the lots
	First   bool             // the first page, which has the chart
	Bars    []bar
	Pages   ui.Pages
	MayRun  bool // a drill
	TooLong bool
}

// Reach lists the lots in use, the widest first.
func (a Area) Reach(r *ui.Request) error {
	if err := r.Throttle("reach:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), reachMost, reachWindow); err != nil {
		return err
	}
	found, err := a.Store.LotsReach(r.HTTP.Context(), r.Who.Workshop, r.Today())
	v := view{LotsReach: found, MayRun: r.May(access.Recall)}
	if errors.Is(err, store.ErrReachTooLong) {
		v.TooLong = true
		return r.Render(http.StatusOK, r.Page("Reach of a lot", "trace"), page(v))
	}
	if err != nil {
		return err
	}
	v.cut(r)
	return r.Render(http.StatusOK, r.Page("Reach of a lot", "trace"), page(v))
}

// cut takes a page of the lots, behind the one that the page before ended with.
func (v *view) cut(r *ui.Request) {
	after := r.AfterKey()
	from := 1 + slices.IndexFunc(v.Lots, func(l store.LotReach) bool { return l.Lots[0] == after })
	v.First, v.Shown = from == 0, v.Lots[from:]
	next := ""
	if len(v.Shown) > ui.PageLength {
		v.Shown = v.Shown[:ui.PageLength]
		next = v.Shown[ui.PageLength-1].Lots[0]
	}
	v.Pages = r.Pages(next)
	if v.First {
		v.Bars = bars(v.LotsReach)
	}
}

// bar is one line of the chart, in the units of its drawing: 640 wide, barHeight a line.
type bar struct {
	Name, Words      string
	Y, Middle, Width string
	After            string // where the words behind the bar begin
}

const (
	mostBars  = 10
	barHeight = 34
	barLeft   = 120.0
	barWidth  = 400.0
)

// bars draws the shares of the widest lots.
func bars(r store.LotsReach) []bar {
	var list []bar
	for i, l := range r.Lots {
		share := r.Share(l)
		if i == mostBars || share == 0 {
			break
		}
		width := max(1, barWidth*share/100)
		list = append(list, bar{
			Name: l.Lots[0], Words: percent(share), Y: strconv.Itoa(i*barHeight + 5), Middle: strconv.Itoa(i*barHeight + barHeight/2),
			Width: strconv.FormatFloat(width, 'f', 1, 64), After: strconv.FormatFloat(barLeft+width+8, 'f', 1, 64),
		})
	}
	return list
}

func (v view) box() string { return fmt.Sprintf("0 0 640 %d", max(1, len(v.Bars))*barHeight) }

// summary is the page's answer in one sentence.
func (v view) summary() string {
	switch {
	case len(v.Lots) == 0:
		return "No lot is in use."
	case v.YearUnits == 0:
		return "Nothing was packed in the last twelve months."
	}
	l := v.Lots[0]
	return fmt.Sprintf("%s of what was packed in the last twelve months hangs on one lot, %s (%s).", percent(v.Share(l)), l.Lots[0], l.MaterialName)
}

func percent(share float64) string {
	if share > 0 && share < 0.1 {
		return "under 0.1 %"
	}
	return strings.TrimSuffix(strconv.FormatFloat(share, 'f', 1, 64), ".0") + " %"
}

// origin is where a lot is from.
func origin(l store.LotReach) string {
	switch {
	case l.SupplierName == "" && l.SupplierLot == "":
		return ""
	case l.SupplierLot == "":
		return l.SupplierName
	case l.SupplierName == "":
		return l.SupplierLot
	}
	return l.SupplierName + ", " + l.SupplierLot
}

func tracePath(l store.LotReach) string {
	if len(l.Lots) > 1 {
		return paths.TraceSupplierLot(l.Supplier, l.SupplierLot)
	}
	return paths.TraceLot(l.Lots[0])
}
