package access_test

import (
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
)

// phrases ties each phrase of the table to the rights it means.
var phrases = map[string]access.Right{
	"read":                           access.Read,
	"trace":                          access.Read,
	"recall list":                    access.Read,
	"receive lots":                   access.Receive,
	"bench entries":                  access.Bench,
	"pack":                           access.Pack,
	"dispatch":                       access.Dispatch,
	"complaints":                     access.Complain,
	"correct own entries of the day": access.CorrectOwn,
	"correct any":                    access.CorrectAny,
	"decide deviations":              access.Decide,
	"approve formulas":               access.ApproveFormula,
	"release lots":                   access.ReleaseLot,
	"bulk and packings":              access.Release,
	"open and close recalls":         access.Recall,
	"reject or re-admit lots":        access.RejectLot,
	"people":                         access.People,
	"settings":                       access.Settings,
	"import":                         access.Import,
	"export":                         access.Export,
	"tokens":                         access.Tokens,
}

type pair struct {
	Role  access.Role
	Right access.Right
}

// table reads testdata/access/who-may.txt into role × right.
func table(t *testing.T) (roles []access.Role, may map[pair]bool) {
	t.Helper()
	text, err := os.ReadFile("../../testdata/access/who-may.txt")
	if err != nil {
		t.Fatal(err)
	}
	may = map[pair]bool{}
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "|") || strings.HasPrefix(line, "|---") {
			continue
		}
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		if roles == nil {
			for _, name := range cells[1:] {
				roles = append(roles, access.Role(name))
			}
			continue
		}
		if len(cells) != len(roles)+1 {
			t.Fatalf("row %q has %d cells, want %d", line, len(cells), len(roles)+1)
		}
		for _, phrase := range strings.Split(cells[0], ", ") {
			right, known := phrases[phrase]
			if !known {
				t.Fatalf("the table says %q, which no right stands for", phrase)
			}
			for i, role := range roles {
				may[pair{role, right}] = cells[i+1] == "yes"
			}
		}
	}
	// Not in the table: who approves formulas also drafts them (Stillroom's own decision).
	for _, role := range roles {
		may[pair{role, access.EditFormula}] = may[pair{role, access.ApproveFormula}]
	}
	return roles, may
}

func TestEachRoleMayExactlyWhatTheTableSays(t *testing.T) {
	t.Parallel()
	_, want := table(t)
	got := map[pair]bool{}
	for _, role := range access.Roles() {
		for _, right := range access.Rights() {
			got[pair{role, right}] = access.May(role, right)
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("who may (-table +code):\n%s", diff)
	}
}

func TestRolesRiseAsInTheTable(t *testing.T) {
	t.Parallel()
	want, _ := table(t)
	if diff := cmp.Diff(want, access.Roles()); diff != "" {
		t.Errorf("roles (-table +code):\n%s", diff)
	}
}

func TestAHigherRoleLosesNothing(t *testing.T) {
	t.Parallel()
	roles := access.Roles()
	for i := 1; i < len(roles); i++ {
		for _, right := range access.Rights() {
			if access.May(roles[i-1], right) && !access.May(roles[i], right) {
				t.Errorf("%s may %q, %s may not", roles[i-1], right, roles[i])
			}
		}
	}
}

func TestWhatIsUnknownMayNothing(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name  string
		role  access.Role
		right access.Right
	}{
		{"no role", "", access.Read},
		{"a role of another spelling", "Owner", access.Read},
		{"a role that is not there", "admin", access.Read},
		{"no right", access.Owner, ""},
		{"a right that is not there", access.Owner, "fly"},
		{"neither", "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if access.May(tt.role, tt.right) {
				t.Errorf("May(%q, %q) = true", tt.role, tt.right)
			}
		})
	}
}

func TestParseRoleTakesTheFourNamesAndNothingElse(t *testing.T) {
	t.Parallel()
	for _, role := range access.Roles() {
		got, err := access.ParseRole(string(role))
		if err != nil || got != role {
			t.Errorf("ParseRole(%q) = %q, %v", role, got, err)
		}
	}
	for _, text := range []string{"", "Owner", " owner", "owner ", "admin", "viewer,owner"} {
		got, err := access.ParseRole(text)
		if !fault.Is(err, fault.Invalid) || got != "" {
			t.Errorf("ParseRole(%q) = %q, %v; want an invalid fault", text, got, err)
		}
	}
}
