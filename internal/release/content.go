package release

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"time"
)

// Content is exactly what a signature signs. It names the record, so that a signature fits no other one (21 CFR
// 11.70), and what the signature means beside the printed name and the time (11.50).
type Content struct {
	Workshop string      // its id
	Subject  Subject     // with Code: the record
	Code     string      // of the batch or the packing
	Meaning  string      // made, checked, released
	Name     string      // printed name of who signs
	At       time.Time   // hashed in UTC to the microsecond, which is what PostgreSQL gives back
	Record   any         // the record's facts, as plain values
	Listed   []Condition // what the signer saw
}

// Bytes gives the canonical JSON of the content.
func (c Content) Bytes() ([]byte, error) {
	listed := c.Listed
	if listed == nil {
		listed = []Condition{}
	}
	return Canonical(map[string]any{
		"workshop":   c.Workshop,
		"subject":    c.Subject,
		"code":       c.Code,
		"meaning":    c.Meaning,
		"name":       c.Name,
		"at":         c.At.UTC().Truncate(time.Microsecond).Format("2006-01-02T15:04:05.000000Z"),
		"record":     c.Record,
		"conditions": listed,
	})
}

// Canonical gives JSON that depends on the content alone: keys in byte order at every level, no blanks, nothing
// escaped for HTML, numbers with the digits that v's own JSON gives them. An error where v has no JSON, such as NaN.
// Texts must be UTF-8, as everything from PostgreSQL is: other bytes would all become the same replacement character.
func Canonical(v any) ([]byte, error) {
	text, err := encode(v)
	if err != nil {
		return nil, fmt.Errorf("release: content: %w", err)
	}
	// Through any: encoding/json sorts the keys of maps, but leaves a struct's fields in the order of its source.
	var content any
	reader := json.NewDecoder(bytes.NewReader(text))
	reader.UseNumber() // or long decimals would be rounded to float64
	if err := reader.Decode(&content); err != nil {
		return nil, fmt.Errorf("release: content: %w", err)
	}
	return encode(content)
}

func encode(v any) ([]byte, error) {
	var out bytes.Buffer
	writer := json.NewEncoder(&out)
	writer.SetEscapeHTML(false)
	if err := writer.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), nil
}

// Hash is the SHA-256 of signed content.
func Hash(b []byte) [32]byte { return sha256.Sum256(b) }
