package signin_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/signin"
)

type vector struct{ password, salt, encoded string }

func vectors(t *testing.T) []vector {
	t.Helper()
	text, err := os.ReadFile("../../testdata/signin/argon2id.txt")
	if err != nil {
		t.Fatal(err)
	}
	var list []vector
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		cells := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(cells) != 3 {
			t.Fatalf("line %q has %d cells", line, len(cells))
		}
		list = append(list, vector{cells[0], cells[1], cells[2]})
	}
	if len(list) == 0 {
		t.Fatal("no vectors")
	}
	return list
}

func TestHashIsWhatTheReferenceToolPrints(t *testing.T) {
	t.Parallel()
	for _, v := range vectors(t) {
		t.Run(v.password, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(v.encoded, signin.Hash(v.password, []byte(v.salt))); diff != "" {
				t.Errorf("Hash (-tool +code):\n%s", diff)
			}
		})
	}
}

func TestAHashMadeElsewhereMatchesItsPasswordAndNoOther(t *testing.T) {
	t.Parallel()
	for _, v := range vectors(t) {
		t.Run(v.password, func(t *testing.T) {
			t.Parallel()
			for password, want := range map[string]bool{
				v.password: true, v.password + " ": false, strings.ToUpper(v.password) + "x": false, "": false,
			} {
				got, err := signin.Matches(password, v.encoded)
				if err != nil || got != want {
					t.Errorf("Matches(%q) = %v, %v; want %v", password, got, err, want)
				}
			}
		})
	}
}

func TestMatchesReadsTheCostFromTheHash(t *testing.T) {
	t.Parallel()
	// printf '%s' a-place-for-soap | argon2 Quillmoor-salt-1 -id -v 13 -t 3 -k 64 -p 2 -l 24 -e
	const cheap = "$argon2id$v=19$m=64,t=3,p=2$UXVpbGxtb29yLXNhbHQtMQ$60wrUdujrJV/58cDxiuyrf+7PT8XNlba"
	got, err := signin.Matches("a-place-for-soap", cheap)
	if err != nil || !got {
		t.Errorf("Matches = %v, %v; want a hash of other cost to go on working", got, err)
	}
}

func TestAnEAcuteIsTheSameHoweverTheKeyboardSendsIt(t *testing.T) {
	t.Parallel()
	encoded := signin.Hash("caf\u00e9 caf\u00e9", []byte("0123456789abcdef"))
	got, err := signin.Matches("cafe\u0301 cafe\u0301", encoded)
	if err != nil || !got {
		t.Errorf("Matches = %v, %v; want true", got, err)
	}
}

func TestASaltOfAnotherLengthIsADefect(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 8, 15, 17} {
		if !panics(func() { signin.Hash("a-place-for-soap", make([]byte, n)) }) {
			t.Errorf("a salt of %d bytes was taken", n)
		}
	}
}

func TestADamagedHashIsAnErrorAndNeverAMatch(t *testing.T) {
	t.Parallel()
	const (
		salt = "UXVpbGxtb29yLXNhbHQtMQ"
		sum  = "U2bpw1GazeO538x1ODeeLtCZa1GrLxYgyGIqPcjUMP0"
	)
	for name, encoded := range map[string]string{
		"empty":                     "",
		"plain text":                "a-place-for-soap",
		"another kind":              "$argon2i$v=19$m=19456,t=2,p=1$" + salt + "$" + sum,
		"another version":           "$argon2id$v=16$m=19456,t=2,p=1$" + salt + "$" + sum,
		"no version":                "$argon2id$m=19456,t=2,p=1$" + salt + "$" + sum,
		"cost missing":              "$argon2id$v=19$m=19456,t=2$" + salt + "$" + sum,
		"cost in another order":     "$argon2id$v=19$t=2,m=19456,p=1$" + salt + "$" + sum,
		"cost not a number":         "$argon2id$v=19$m=19456,t=two,p=1$" + salt + "$" + sum,
		"no passes":                 "$argon2id$v=19$m=19456,t=0,p=1$" + salt + "$" + sum,
		"no lanes":                  "$argon2id$v=19$m=19456,t=2,p=0$" + salt + "$" + sum,
		"all the server's memory":   "$argon2id$v=19$m=4194304,t=2,p=1$" + salt + "$" + sum,
		"passes without end":        "$argon2id$v=19$m=19456,t=4000000000,p=1$" + salt + "$" + sum,
		"more lanes than memory":    "$argon2id$v=19$m=8,t=2,p=2$" + salt + "$" + sum,
		"a number past 32 bits":     "$argon2id$v=19$m=19456,t=4294967298,p=1$" + salt + "$" + sum,
		"hash empty":                "$argon2id$v=19$m=19456,t=2,p=1$" + salt + "$",
		"hash of three bytes":       "$argon2id$v=19$m=19456,t=2,p=1$" + salt + "$AAAA",
		"hash padded":               "$argon2id$v=19$m=19456,t=2,p=1$" + salt + "$" + sum + "=",
		"salt empty":                "$argon2id$v=19$m=19456,t=2,p=1$$" + sum,
		"salt not base64":           "$argon2id$v=19$m=19456,t=2,p=1$***$" + sum,
		"something behind the hash": "$argon2id$v=19$m=19456,t=2,p=1$" + salt + "$" + sum + "$x",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := signin.Matches("a-place-for-soap", encoded)
			if got || !errors.Is(err, signin.ErrEncoded) {
				t.Errorf("Matches = %v, %v; want false and ErrEncoded", got, err)
			}
		})
	}
}

func TestPasswordsThatMayBeChosen(t *testing.T) {
	t.Parallel()
	for name, pw := range map[string]string{
		"eight characters":              "kettle-7",
		"only lower-case letters":       "teapotlampwood",
		"only digits, in no order":      "8305729461",
		"words with spaces":             "three warm copper pans",
		"128 characters":                strings.Repeat("soap lye ", 14) + "ox",
		"128 characters of many bytes":  strings.Repeat("ølåé kæft ", 12) + "sæbefåre",
		"the name with much around it":  "stillroom otter lamp 9",
		"a common word inside":          "sunshine on copper pans",
		"a common word, many digits on": "sunshine 84027",
		"a short run with more to it":   "abcd-1947-oak",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if err := signin.CheckPassword(pw); err != nil {
				t.Errorf("CheckPassword(%q) = %v", pw, err)
			}
		})
	}
}

func TestPasswordsThatAreRefused(t *testing.T) {
	t.Parallel()
	const (
		short    = "Use at least 8 characters; three or four words do well"
		long     = "Use at most 128 characters"
		repeated = "This only repeats itself; choose something less easy to guess"
		row      = "This is a row of keys, letters or numbers; choose something less easy to guess"
		name     = "Leave the word stillroom out, or add more around it"
		many     = "Many people use this password; choose another"
		unread   = "Type the password again; a character in it could not be read"
	)
	for _, tt := range []struct{ name, pw, want string }{
		{"nothing", "", short},
		{"seven characters", "kettle7", short},
		{"seven characters of many bytes", "ølåéæøå", short},
		{"eight only before the accents are joined", "cafe\u0301 ox", short},
		{"129 characters", strings.Repeat("soap lye ", 14) + "oxe", long},
		{"bytes that are not text", "kettle-\xff7", unread},
		{"one character", "aaaaaaaa", repeated},
		{"one character of two bytes", "øøøøøøøø", repeated},
		{"spaces", "         ", repeated},
		{"spaces and tabs", "    \t    \t  ", repeated},
		{"two characters in turn", "7171717171", repeated},
		{"a piece of four, cut short", "lampLampla", repeated},
		{"digits upwards", "23456789", row},
		{"digits downwards", "987654321", row},
		{"digits past nine", "5678901234", row},
		{"letters", "ghijklmnop", row},
		{"letters downwards, in capitals", "ZYXWVUTSR", row},
		{"a row of keys", "qwertyui", row},
		{"a row of keys backwards", "lkjhgfdsa", row},
		{"columns of keys", "2wsx3edc", row},
		{"two rows", "asdf1234", row},
		{"the name", "Stillroom", name},
		{"the name and a year", "stillroom2026", name},
		{"the name twice", "stillroomstillroom", name},
		{"a common one", "iloveyou", many},
		{"a common one in capitals", "TrustNo1", many},
		{"a common word and digits", "Sunshine2026", many},
		{"a common word and signs", "Lavender!!", many},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			err := signin.CheckPassword(tt.pw)
			if !fault.Is(err, fault.Invalid) {
				t.Fatalf("CheckPassword(%q) = %v, want an invalid fault", tt.pw, err)
			}
			if diff := cmp.Diff(tt.want, err.Error()); diff != "" {
				t.Errorf("words (-want +got):\n%s", diff)
			}
		})
	}
}

func TestATokenIs43CharactersAndItsHashIsFoundAgain(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		random := rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "random")
		text, hash := signin.Token(random)
		if len(text) != 43 || strings.ContainsAny(text, "+/=") {
			t.Fatalf("text %q is not 43 characters that a URL can hold", text)
		}
		if hash != sha256.Sum256(random) {
			t.Fatal("the hash is not the SHA-256 of the bytes")
		}
		got, err := signin.HashToken(text)
		if err != nil || got != hash {
			t.Fatalf("HashToken(%q) = %x, %v; want %x", text, got, err, hash)
		}
	})
}

func TestATokenOfAnotherLengthIsADefect(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 16, 31, 33} {
		if !panics(func() { signin.Token(make([]byte, n)) }) {
			t.Errorf("a token of %d bytes was made", n)
		}
	}
}

func TestWhatIsNoTokenIsRefused(t *testing.T) {
	t.Parallel()
	good, _ := signin.Token(bytes.Repeat([]byte{0xa5}, 32))
	for name, text := range map[string]string{
		"empty":                      "",
		"too short":                  good[:42],
		"too long":                   good + "A",
		"padded":                     good + "=",
		"of the other base64":        "+" + good[1:],
		"a line break inside":        good[:20] + "\n" + good[21:],
		"a line break behind":        good + "\n",
		"unused bits set":            good[:42] + "V",
		"another alphabet's letters": strings.Repeat("é", 21) + "A",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := signin.HashToken(text)
			if !errors.Is(err, signin.ErrToken) || got != [32]byte{} {
				t.Errorf("HashToken(%q) = %x, %v; want ErrToken", text, got, err)
			}
		})
	}
}

func panics(f func()) (did bool) {
	defer func() { did = recover() != nil }()
	f()
	return false
}
