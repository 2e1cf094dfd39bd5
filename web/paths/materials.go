package paths

import "net/url"

func Materials() string                  { return "/materials" }
func NewMaterial() string                { return "/materials/new" }
func Material(code string) string        { return "/materials/" + seg(code) }
func CorrectMaterial(code string) string { return "/materials/" + seg(code) + "/correct" }
func Lots() string                       { return "/lots" }
func ReceiveLot(material string) string {
	if material == "" {
		return "/lots/new"
	}
	return "/lots/new?material=" + url.QueryEscape(material)
}
func Lot(code string) string        { return "/lots/" + seg(code) }
func LotStatus(code string) string  { return "/lots/" + seg(code) + "/status" }
func LotMove(code string) string    { return "/lots/" + seg(code) + "/move" }
func CorrectLot(code string) string { return "/lots/" + seg(code) + "/correct" }
func LotPapers(code string) string  { return "/lots/" + seg(code) + "/papers" }
func LotRetest(code string) string  { return "/lots/" + seg(code) + "/retest" }
func Document(id string) string     { return "/documents/" + seg(id) }

// CorrectRetest is the form that corrects one look at a lot, CorrectFilling that of one pouring into a tub.
func CorrectRetest(code, id string) string  { return "/lots/" + seg(code) + "/retests/" + seg(id) }
func CorrectFilling(code, id string) string { return "/lots/" + seg(code) + "/fillings/" + seg(id) }

func Tubs() string { return "/tubs" }
func FillTub(material string) string {
	if material == "" {
		return "/tubs/new"
	}
	return "/tubs/new?material=" + url.QueryEscape(material)
}
func TopUp(lot string) string     { return "/lots/" + seg(lot) + "/top-up" }
func EmptyTub(lot string) string  { return "/lots/" + seg(lot) + "/empty" }
func ReopenTub(lot string) string { return "/lots/" + seg(lot) + "/reopen" }

func Suppliers() string                  { return "/suppliers" }
func NewSupplier() string                { return "/suppliers/new" }
func Supplier(code string) string        { return "/suppliers/" + seg(code) }
func CorrectSupplier(code string) string { return "/suppliers/" + seg(code) + "/correct" }
