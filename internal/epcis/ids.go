package epcis

import (
	"strings"

	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
)

// URN writes an id of our own as a URI (RFC 9562 section 4): EPCIS takes any absolute one where no GS1 key is known.
func URN(id uuid.UUID) string { return id.URN() }

// Derived is an id that follows from another and what it is used for (UUID version 5, RFC 9562 section 5.5), so that a lot and
// the event of its receipt never bear the same URI, and the same book always gives the same ones.
func Derived(of uuid.UUID, use string) uuid.UUID { return uuid.NewSHA1(of, []byte(use)) }

// digitalLink is GS1's own domain for Digital Link URIs (GS1 Digital Link Standard: URI Syntax).
const digitalLink = "https://id.gs1.org"

// ProductBatch is the class of all units of one trade item with one batch code: application identifiers 01 (GTIN, as 14
// digits) and 10 (batch or lot number). ok is false where the GTIN is none or the
// code is not one that AI 10 can hold.
func ProductBatch(gtin, code string) (uri string, ok bool) {
	if CheckGTIN(gtin) != nil || !batchNumber(code) {
		return "", false
	}
	return digitalLink + "/01/" + strings.Repeat("0", 14-len(gtin)) + gtin + "/10/" + percentEncoded(code), true
}

// What AI 10 may hold: one to 20 characters of the set 82 of the GS1 General Specifications (set and length from memory).
const (
	charset82   = `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`
	batchLength = 20
)

func batchNumber(code string) bool {
	return code != "" && len(code) <= batchLength && strings.Trim(code, charset82) == ""
}

// percentEncoded writes everything but the unreserved characters of RFC 3986 section 2.3 as %XX.
func percentEncoded(text string) string {
	const hex = "0123456789ABCDEF"
	var out strings.Builder
	for _, c := range []byte(text) {
		if c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || strings.IndexByte("-._~", c) >= 0 {
			out.WriteByte(c)
		} else {
			out.Write([]byte{'%', hex[c>>4], hex[c&15]})
		}
	}
	return out.String()
}

// FieldGTIN is where CheckGTIN's fault stands.
const FieldGTIN = "gtin"

// CheckGTIN tells what is wrong with a GTIN written as digits alone: GTIN-8, -12, -13 or -14, the last digit being the
// check digit (GS1 General Specifications section 7.9.1).
func CheckGTIN(digits string) error {
	if strings.Trim(digits, "0123456789") != "" {
		return fault.In(FieldGTIN, "A GTIN has digits only: those under the bar code.")
	}
	switch len(digits) {
	case 8, 12, 13, 14:
	default:
		return fault.In(FieldGTIN, "A GTIN has 8, 12, 13 or 14 digits.")
	}
	last := len(digits) - 1
	if digits[last] != checkDigit(digits[:last]) {
		return fault.In(FieldGTIN, "The last digit does not fit the others: one of them is mistyped.")
	}
	return nil
}

// checkDigit weighs the digits by 3 and 1 in turn from the right; the check digit makes the sum a multiple of ten.
func checkDigit(digits string) byte {
	sum := 0
	for i := range len(digits) {
		weight := 1
		if (len(digits)-i)%2 == 1 {
			weight = 3
		}
		sum += weight * int(digits[i]-'0')
	}
	return '0' + byte((10-sum%10)%10)
}
