package paths

import (
	"net/url"
	"strconv"
)

func Recalls() string                       { return "/recalls" }
func NewRecall() string                     { return "/recalls/new" }
func Recall(n int) string                   { return "/recalls/" + strconv.Itoa(n) }
func RecallList(n int) string               { return Recall(n) + "/list" }
func RecallLetters(n int) string            { return Recall(n) + "/letters" }
func RecallTelling(n int) string            { return Recall(n) + "/telling" }
func RecallCustomer(n int, c string) string { return RecallTelling(n) + "/" + seg(c) }
func RecallClose(n int) string              { return Recall(n) + "/close" }
func RecallText(n int, kind string) string  { return RecallLetters(n) + "/" + kind }
func RecallTextFile(n int, kind string) string {
	return RecallText(n, kind) + ".txt"
}
func RecallWords(n int) string            { return RecallLetters(n) + "/words" }
func RecallPicture(n int) string          { return RecallLetters(n) + "/picture" }
func RecallMerge(n int) string            { return RecallLetters(n) + ".csv" }
func RecallReport(n int) string           { return Recall(n) + "/report" }
func RecallReportPDF(n int) string        { return Recall(n) + "/report.pdf" }
func RecallTold(n int, c string) string   { return RecallCustomer(n, c) + "/told" }
func RecallAnswer(n int, c string) string { return RecallCustomer(n, c) + "/answer" }
func RecallWithdraw(n int, c, kind, id string) string {
	return RecallCustomer(n, c) + "/" + kind + "/" + id + "/withdraw"
}
func Drills() string     { return "/drills" }
func NewDrill() string   { return "/drills/new" }
func Drill(n int) string { return "/drills/" + strconv.Itoa(n) }
func Reach() string      { return "/reach" }
func Held() string       { return "/held" }

func CountDrill(n int) string     { return Drill(n) + "/count" }
func ListDrill(n int) string      { return Drill(n) + "/list" }
func EndDrill(n int) string       { return Drill(n) + "/end" }
func DrillReport(n int) string    { return Drill(n) + "/report" }
func DrillReportPDF(n int) string { return Drill(n) + "/report.pdf" }

// NewDrillFrom is the form of a new drill that starts from a lot already.
func NewDrillFrom(lot string) string { return NewDrill() + "?lot=" + url.QueryEscape(lot) }

// RecallFrom is the form of a new recall that starts from something already: kind is lot, supplier lot (with its
// supplier), batch, packing or complaint.
func RecallFrom(kind, code, supplier string) string {
	q := url.Values{"from": {kind}, "code": {code}}
	if supplier != "" {
		q.Set("supplier", supplier)
	}
	return NewRecall() + "?" + q.Encode()
}

func RecallCSV(n int) string    { return RecallList(n) + ".csv" }
func RecallXLSX(n int) string   { return RecallList(n) + ".xlsx" }
func RecallPDF(n int) string    { return RecallList(n) + ".pdf" }
func ExtendRecall(n int) string { return Recall(n) + "/extend" }
func CountRecall(n int) string  { return Recall(n) + "/count" }

// UnblockRecall is the form that lets one lot, batch or packing of a recall be used again.
func UnblockRecall(n int, kind, code string) string {
	path := Recall(n) + "/unblock"
	if kind == "" {
		return path
	}
	return path + "?" + url.Values{"kind": {kind}, "code": {code}}.Encode()
}
