package signin

import (
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
)

// tokenBytes is the length of a token's randomness: 256 bits, so that its plain SHA-256 may be stored: there is
// nothing to guess, and a slow hash would only slow each page down.
const tokenBytes = 32

// ErrToken is a text that no token ever had. To the person it is the same as a token that has ended.
var ErrToken = errors.New("signin: not a token")

// Token makes a token of 32 bytes from crypto/rand: the text (43 characters of base64url without padding) goes to the
// person, only the SHA-256 of the bytes is stored. Another number of bytes is a defect and panics.
func Token(random []byte) (text string, hash [32]byte) {
	if len(random) != tokenBytes {
		panic(fmt.Sprintf("signin: token of %d bytes, want %d", len(random), tokenBytes))
	}
	return base64.RawURLEncoding.EncodeToString(random), sha256.Sum256(random)
}

// HashToken gives the stored hash of a token's text, or ErrToken. Exactly one text leads to each hash.
func HashToken(text string) ([32]byte, error) {
	// Strict, and the length first: the decoder skips line breaks and unused bits otherwise.
	if len(text) != base64.RawURLEncoding.EncodedLen(tokenBytes) {
		return [32]byte{}, ErrToken
	}
	random, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil || len(random) != tokenBytes {
		return [32]byte{}, ErrToken
	}
	return sha256.Sum256(random), nil
}
