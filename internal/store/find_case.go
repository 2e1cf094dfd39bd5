package store

import (
	"context"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
)

// caseCode is how complaints, recalls and drills are called: C-7, R-2, DR-3, the dash as one likes.
var caseCode = regexp.MustCompile(`^(C|R|DR)-?([1-9][0-9]{0,8})$`)

// CaseOf finds the complaint, recall or drill that a code typed into the look-up names: its kind and number; "" for none.
func (s *Store) CaseOf(ctx context.Context, workshop WorkshopID, typed string) (kind string, n int, err error) {
	parts := caseCode.FindStringSubmatch(strings.ToUpper(strings.TrimSpace(typed)))
	if parts == nil {
		return "", 0, nil
	}
	if n, err = strconv.Atoi(parts[2]); err != nil {
		return "", 0, fmt.Errorf("store: case %q: %w", typed, err)
	}
	kind, query := "complaint", `SELECT EXISTS (SELECT FROM complaint WHERE workshop_id = $1 AND n = $2)`
	switch parts[1] {
	case "R":
		kind, query = "recall", `SELECT EXISTS (SELECT FROM recall WHERE workshop_id = $1 AND n = $2 AND NOT drill)`
	case "DR":
		kind, query = "drill", `SELECT EXISTS (SELECT FROM recall WHERE workshop_id = $1 AND n = $2 AND drill)`
	}
	var there bool
	err = s.read(ctx, workshop, func(t pgx.Tx) error { return t.QueryRow(ctx, query, workshop, n).Scan(&there) })
	if err != nil {
		return "", 0, fmt.Errorf("store: case %q: %w", typed, err)
	}
	if !there {
		return "", 0, nil
	}
	return kind, n, nil
}
