package batchcode

// packingLetters are A to Z without those that look like digits.
const packingLetters = "ABCDEFGHJKMNPQRSTUVWXYZ"

// PackingCode is the code of the n-th packing, counted from 1, of a batch. The first has the batch code
// itself; the second gets the letter A, the third B, and so on without I, L and O; after Z come AA, AB. The
// letter stands before the check character, which is then made anew; without a check character it is appended.
// Below 1 counts as 1. The result may pass MaxLength where the batch code was imported or its sequence outgrew
// the pattern: Validate it.
func PackingCode(batchCode string, n int, hasCheck bool) string {
	if n <= 1 || batchCode == "" {
		return batchCode
	}
	suffix := ""
	for k := n - 1; k > 0; k = (k - 1) / len(packingLetters) {
		suffix = string(packingLetters[(k-1)%len(packingLetters)]) + suffix
	}
	if !hasCheck {
		return batchCode + suffix
	}
	body := batchCode[:len(batchCode)-1] + suffix
	c, err := Check(body)
	if err != nil {
		// Only a letter outside A-Z leads here, and a code that has a check character holds none.
		return batchCode + suffix
	}
	return body + string(c)
}
