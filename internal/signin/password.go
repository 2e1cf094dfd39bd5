// Package signin holds what signing in rests on: argon2id hashes of passwords, the rule for a password's choice, and
// the tokens of sessions, links and the API. Sources: RFC 9106 for argon2id, OWASP ASVS 5.0 §6.2 for the choice and
// §7 for tokens. Randomness is an argument, so that nothing here can draw a weak one by itself.
package signin

import (
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
)

// What a new password costs. OWASP's recommended minimum for argon2id (from memory); measured at 20 to 36 ms on the
// machines that this was built on. A caller bounds how many run at once: each holds 19 MiB.
const (
	passes    = 2
	memoryKiB = 19 * 1024
	lanes     = 1
	saltLen   = 16
	hashLen   = 32
)

// What a stored hash may ask for at most. A row tampered with must not be able to take the server's memory.
const (
	mostPasses    = 16
	mostMemoryKiB = 256 * 1024
	mostLanes     = 16
	mostBytes     = 64
)

// ErrEncoded is a stored hash that cannot be read: damage, or a kind that was never written here.
var ErrEncoded = errors.New("signin: not an argon2id hash in PHC form")

// Hash gives the argon2id hash of a password as a PHC string, `$argon2id$v=19$m=19456,t=2,p=1$SALT$HASH`, both in
// base64 without padding. The salt is 16 bytes from crypto/rand; another length is a defect and panics, since a
// short salt would weaken every password without anybody noticing.
//
// The password is taken in Unicode NFC: keyboards differ in how they send an é, and the person cannot see it.
func Hash(password string, salt []byte) string {
	if len(salt) != saltLen {
		panic(fmt.Sprintf("signin: salt of %d bytes, want %d", len(salt), saltLen))
	}
	sum := argon2.IDKey(norm.NFC.Bytes([]byte(password)), salt, passes, memoryKiB, lanes, hashLen)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memoryKiB, passes, lanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(sum))
}

// Matches tells whether the password is the one behind the PHC string, at the cost that the string names, compared in
// constant time. The error wraps ErrEncoded where the string cannot be read; a wrong password is no error.
func Matches(password, encoded string) (bool, error) {
	p, err := decode(encoded)
	if err != nil {
		return false, err
	}
	sum := argon2.IDKey(norm.NFC.Bytes([]byte(password)), p.salt, p.passes, p.memoryKiB, p.lanes, uint32(len(p.sum)))
	return subtle.ConstantTimeCompare(sum, p.sum) == 1, nil
}

type phc struct {
	passes, memoryKiB uint32
	lanes             uint8
	salt, sum         []byte
}

// decode reads a PHC string strictly: one order of parameters, one version, no padding.
func decode(encoded string) (phc, error) {
	parts := strings.Split(encoded, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v="+strconv.Itoa(argon2.Version) {
		return phc{}, ErrEncoded
	}
	costs := strings.Split(parts[3], ",")
	if len(costs) != 3 {
		return phc{}, fmt.Errorf("%w: cost", ErrEncoded)
	}
	memory, okM := cost(costs[0], "m=", 8, mostMemoryKiB)
	time, okT := cost(costs[1], "t=", 1, mostPasses)
	threads, okP := cost(costs[2], "p=", 1, mostLanes)
	if !okM || !okT || !okP || memory < 8*threads { // RFC 9106 §3.1: memory of at least 8p KiB
		return phc{}, fmt.Errorf("%w: cost", ErrEncoded)
	}
	salt, err := base64.RawStdEncoding.Strict().DecodeString(parts[4])
	if err != nil || len(salt) < 8 || len(salt) > mostBytes {
		return phc{}, fmt.Errorf("%w: salt", ErrEncoded)
	}
	sum, err := base64.RawStdEncoding.Strict().DecodeString(parts[5])
	// An empty or tiny hash would be matched by any password, or by one in a few.
	if err != nil || len(sum) < 16 || len(sum) > mostBytes {
		return phc{}, fmt.Errorf("%w: hash", ErrEncoded)
	}
	return phc{passes: time, memoryKiB: memory, lanes: uint8(threads), salt: salt, sum: sum}, nil
}

func cost(text, prefix string, least, most uint32) (uint32, bool) {
	digits, ok := strings.CutPrefix(text, prefix)
	if !ok {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 32)
	if err != nil || uint32(n) < least || uint32(n) > most {
		return 0, false
	}
	return uint32(n), true
}
