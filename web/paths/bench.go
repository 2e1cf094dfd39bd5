package paths

import "net/url"

func Plans() string   { return "/plans" }
func NewPlan() string { return "/plans/new" }

// NewPlanOf starts a plan of a formula.
func NewPlanOf(formula string) string { return NewPlan() + "?formula=" + url.QueryEscape(formula) }
func Plan(id string) string           { return "/plans/" + seg(id) }
func StartPlan(id string) string      { return "/plans/" + seg(id) + "/start" }
func DropPlan(id string) string       { return "/plans/" + seg(id) + "/drop" }

// Bench leads to the next open task of a batch, BenchTask to one of them: "room", "line-3", "step-1", "control-2",
// "mould", "cure", "cure-end".
func Bench(code string) string           { return "/batches/" + seg(code) + "/bench" }
func BenchTask(code, task string) string { return Bench(code) + "/" + seg(task) }
func BenchRescale(code, task string) string {
	return Bench(code) + "/" + seg(task) + "/rescale"
}
func BenchAdd(code string) string      { return Bench(code) + "/add" }
func BenchOff(code string) string      { return Bench(code) + "/off" }
func BenchEnd(code string) string      { return Bench(code) + "/end" }
func BenchVoid(code string) string     { return Bench(code) + "/end/void" }
func BenchCureRoom(code string) string { return Bench(code) + "/cure/room" }
func BenchCureUnit(code string) string { return Bench(code) + "/cure/unit" }
func CorrectInput(code, input string) string {
	return Bench(code) + "/inputs/" + seg(input) + "/correct"
}

// WithdrawEntry takes an entry of a kind back: "steps", "readings", "room" or "weighings".
func WithdrawEntry(code, kind, id string) string {
	return Bench(code) + "/entries/" + seg(kind) + "/" + seg(id) + "/withdraw"
}
