package paths

import (
	"net/url"
	"strconv"
)

// Batches is the list; which is "open" or "all", after the key of the last row of the page before.
func Batches(which, after string) string {
	q := url.Values{}
	if which != "" {
		q.Set("show", which)
	}
	if after != "" {
		q.Set("after", after)
	}
	if len(q) == 0 {
		return "/batches"
	}
	return "/batches?" + q.Encode()
}

// Pack is the form for packing a batch as a product; without one it chooses or asks.
func Pack(batch, product string) string {
	path := Batch(batch) + "/pack"
	if product != "" {
		path += "?product=" + url.QueryEscape(product)
	}
	return path
}

func FinishPacking(batch string) string { return Batch(batch) + "/finish" }
func BatchYield(batch string) string    { return Batch(batch) + "/yield" }
func BatchRejects(batch string) string  { return Batch(batch) + "/rejects" }
func BatchBulk(batch string) string     { return Batch(batch) + "/bulk" }
func ReleaseBulk(batch string) string   { return Batch(batch) + "/release" }
func RejectBatch(batch string) string   { return Batch(batch) + "/reject" }

// WithdrawReject takes an entry of rejects back, by its id: entries have no codes.
func WithdrawReject(batch, id string) string {
	return BatchRejects(batch) + "/" + seg(id) + "/withdraw"
}

func ReopenPacking(batch string) string { return Batch(batch) + "/reopen" }
func BatchPapers(batch string) string   { return Batch(batch) + "/papers" }

// BatchStage is the form for units weighed together at a stage, which may be empty.
func BatchStage(batch, stage string) string {
	path := Batch(batch) + "/stage"
	if stage != "" {
		path += "?stage=" + url.QueryEscape(stage)
	}
	return path
}

// StageEntry corrects such a weighing, by its id: entries have no codes.
func StageEntry(batch, id string) string { return Batch(batch) + "/stage/" + seg(id) }

func Packing(code string) string          { return "/packings/" + seg(code) }
func ReleasePacking(code string) string   { return Packing(code) + "/release" }
func CorrectPacking(code string) string   { return Packing(code) + "/correct" }
func ExplainPackaging(code string) string { return Packing(code) + "/packaging" }

func Deviations() string     { return "/deviations" }
func Deviation(n int) string { return "/deviations/" + strconv.Itoa(n) }
