package paths

import "net/url"

// NewSet is the form for putting sets together; NewSetOf that of one product.
func NewSet() string                 { return "/sets/new" }
func NewSetOf(product string) string { return NewSet() + "?product=" + url.QueryEscape(product) }

// CorrectSet says which units really went into a set; TakeApart takes it out of the book.
func CorrectSet(batch string) string { return "/sets/" + seg(batch) + "/correct" }
func TakeApart(batch string) string  { return "/sets/" + seg(batch) + "/apart" }

// Rework is what may be worked in again of a batch, and the leave that was signed for it.
func Rework(batch string) string { return Batch(batch) + "/rework" }

// WithdrawRework takes leave back, by its id: leave has no code.
func WithdrawRework(batch, id string) string { return Rework(batch) + "/" + seg(id) + "/withdraw" }

// BulkLeft is what is left of bulk; WithdrawBulkMove takes an entry of it back, by its id.
func BulkLeft(batch string) string { return Batch(batch) + "/bulk/left" }
func WithdrawBulkMove(batch, id string) string {
	return BulkLeft(batch) + "/" + seg(id) + "/withdraw"
}

// PackingCodes are the codes on a packing's units; WithdrawCode takes an entry back, by its id.
func PackingCodes(packing string) string { return Packing(packing) + "/codes" }
func WithdrawCode(packing, id string) string {
	return PackingCodes(packing) + "/" + seg(id) + "/withdraw"
}
