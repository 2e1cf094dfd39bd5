package paths

import "net/url"

func Plans() string   { return "/plans" }
func NewPlan() string { return "/plans/new" }

// NewPlanOf starts a plan of a formula.
func NewPlanOf(formula string) string { return NewPlan() + "?formula=" + url.QueryEscape(formula) }

// SameAgain starts a plan of what a batch was.
func SameAgain(batch string) string { return NewPlan() + "?again=" + url.QueryEscape(batch) }

// NewPlanFor starts a plan with a product and units, or a mass in g; what is empty is left to be filled in.
func NewPlanFor(formula, product, units, massG, place string) string {
	q := url.Values{}
	for name, value := range map[string]string{"formula": formula, "product": product, "units": units, "mass_g": massG, "place": place} {
		if value != "" {
			q.Set(name, value)
		}
	}
	return NewPlan() + "?" + q.Encode()
}

func Plan(id string) string      { return "/plans/" + seg(id) }
func StartPlan(id string) string { return "/plans/" + seg(id) + "/start" }
func DropPlan(id string) string  { return "/plans/" + seg(id) + "/drop" }

// Bench leads to the next open task of a batch, BenchTask to one of them: "room", "line-3", "step-1", "control-2",
// "mould", "cure", "cure-end".
func Bench(code string) string           { return "/batches/" + seg(code) + "/bench" }
func BenchTask(code, task string) string { return Bench(code) + "/" + seg(task) }
func BenchRescale(code, task string) string {
	return Bench(code) + "/" + seg(task) + "/rescale"
}
func BenchAdd(code string) string { return Bench(code) + "/add" }

// BenchAddOf is BenchAdd with what was signed for of a source batch filled in.
func BenchAddOf(code, source string) string {
	return BenchAdd(code) + "?source=" + url.QueryEscape(source)
}
func BenchOff(code string) string      { return Bench(code) + "/off" }
func BenchEnd(code string) string      { return Bench(code) + "/end" }
func BenchVoid(code string) string     { return Bench(code) + "/end/void" }
func BenchCureRoom(code string) string { return Bench(code) + "/cure/room" }
func BenchCureUnit(code string) string { return Bench(code) + "/cure/unit" }
func CorrectInput(code, input string) string {
	return Bench(code) + "/inputs/" + seg(input) + "/correct"
}

// WithdrawEntry takes an entry of a kind back: "steps", "readings", "room", "weighings" or "equipment".
func WithdrawEntry(code, kind, id string) string {
	return Bench(code) + "/entries/" + seg(kind) + "/" + seg(id) + "/withdraw"
}
