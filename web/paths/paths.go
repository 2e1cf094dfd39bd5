// Package paths is where every URL of Stillroom is made: one function a page. URLs are nouns with codes.
package paths

import "net/url"

func seg(code string) string { return url.PathEscape(code) }

func Today() string   { return "/" }
func SignIn() string  { return "/sign-in" }
func Account() string { return "/account" }

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
func Document(id string) string     { return "/documents/" + seg(id) }
func TraceLot(code string) string   { return "/trace/lots/" + seg(code) }
func TraceBatch(code string) string { return "/trace/batches/" + seg(code) }
func Batch(code string) string      { return "/batches/" + seg(code) }

func Suppliers() string                  { return "/suppliers" }
func NewSupplier() string                { return "/suppliers/new" }
func Supplier(code string) string        { return "/suppliers/" + seg(code) }
func CorrectSupplier(code string) string { return "/suppliers/" + seg(code) + "/correct" }
