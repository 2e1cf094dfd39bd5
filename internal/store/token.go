package store

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
)

// Token is what lets a program in, as a list shows it: its text was told once and is nowhere.
type Token struct {
	ID        TokenID
	Name      string
	ReadOnly  bool
	By        string // who made it: a person's name, else what it was
	CreatedAt time.Time
	UsedAt    *time.Time // to the minute; nil for never
	RevokedAt *time.Time
}

// Bearer is a token that was shown: on whose behalf it acts.
type Bearer struct {
	Token    TokenID
	Who      Who // its device is the token's name
	ReadOnly bool
	Workshop Workshop
}

const tokenNameMost = 80

// MakeToken makes a token and answers its text, which is stored as its hash only. The same form sent again makes none and
// answers no text. Faults stand beside name.
func (s *Store) MakeToken(ctx context.Context, who Who, entry Entry, name string, readOnly bool) (string, error) {
	name = strings.TrimSpace(name)
	if name == "" || utf8.RuneCountInString(name) > tokenNameMost || strings.ContainsFunc(name, isControl) {
		return "", fault.In("name", fmt.Sprintf("Write what the token is for, in up to %d characters.", tokenNameMost))
	}
	var text string
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		made, hash := token(who.Workshop)
		_, err := t.Exec(ctx, `INSERT INTO api_token (workshop_id, id, name, read_only, token_hash, created_at, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			who.Workshop, newID[TokenID](), name, readOnly, hash[:], t.now, t.change)
		if constraint(err) == "api_token_name_key" {
			return fault.In("name", "There is a token of this name. Revoke it first, or choose another name.")
		}
		text = made
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: make token: %w", err)
	}
	return text, nil
}

func isControl(r rune) bool { return r < 0x20 || r == 0x7f }

// Tokens lists all tokens that there were: those that work first, by name.
func (s *Store) Tokens(ctx context.Context, workshop WorkshopID) ([]Token, error) {
	var list []Token
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT k.id, k.name, k.read_only, coalesce(p.name, c.actor), k.created_at, u.used_at, k.revoked_at
			FROM api_token k JOIN change c ON c.workshop_id = k.workshop_id AND c.id = k.change_id
			LEFT JOIN person p ON p.workshop_id = c.workshop_id AND p.id = c.person_id
			LEFT JOIN api_token_use u ON u.workshop_id = k.workshop_id AND u.token_id = k.id
			WHERE k.workshop_id = $1 ORDER BY k.revoked_at IS NOT NULL, k.name, k.created_at`, workshop)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Token])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: tokens: %w", err)
	}
	return list, nil
}

// RevokeToken ends a token at once and for good, with a reason. One that has ended stays as it ended.
func (s *Store) RevokeToken(ctx context.Context, who Who, entry Entry, id TokenID, reason string) error {
	if strings.TrimSpace(reason) == "" {
		return fault.In("reason", "Say why the token ends.")
	}
	_, err := s.write(ctx, who, void, strings.TrimSpace(reason), entry, func(t *tx) error {
		var ended bool
		err := t.QueryRow(ctx, `SELECT revoked_at IS NOT NULL FROM api_token WHERE workshop_id = $1 AND id = $2 FOR NO KEY UPDATE`, who.Workshop, id).Scan(&ended)
		if err != nil {
			return notFound(err, "There is no such token.")
		}
		if ended {
			return fault.New(fault.Conflict, "This token was revoked before.")
		}
		_, err = t.Exec(ctx, `UPDATE api_token SET revoked_at = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, id, t.now)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: revoke token: %w", err)
	}
	return nil
}

// TokenWho finds on whose behalf a token acts. A text that is none, or one that was revoked, is a Sign fault: which of
// the two is not told. Last use is noted at most once a minute.
func (s *Store) TokenWho(ctx context.Context, text string, now time.Time) (Bearer, error) {
	none := fault.New(fault.Sign, "This token is not known here, or it was revoked.")
	workshop, hash, err := splitToken(text)
	if err != nil {
		return Bearer{}, none
	}
	var b Bearer
	var used *time.Time
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		w := &b.Workshop
		return orNone(t.QueryRow(ctx, `SELECT k.id, k.name, k.read_only, u.used_at, w.id, w.code, w.name, w.zone, w.code_pattern, w.soon_days, w.readability_g, w.min_load_g, w.is_demo, w.named, w.mass_unit, w.temp_unit, w.date_style
			FROM api_token k JOIN workshop w ON w.id = k.workshop_id LEFT JOIN api_token_use u ON u.workshop_id = k.workshop_id AND u.token_id = k.id
			WHERE k.workshop_id = $1 AND k.token_hash = $2 AND k.revoked_at IS NULL`, workshop, hash[:]).
			Scan(&b.Token, &b.Who.Name, &b.ReadOnly, &used, &w.ID, &w.Code, &w.Name, &w.Zone, &w.CodePattern, &w.SoonDays, &w.ReadabilityG, &w.MinLoadG, &w.IsDemo, &w.Named, &w.Style.Mass, &w.Style.Temperature, &w.Style.Date),
			func() {}, none)
	})
	if err != nil {
		if fault.Is(err, fault.Sign) {
			return Bearer{}, err
		}
		return Bearer{}, fmt.Errorf("store: token: %w", err)
	}
	b.Who.Workshop, b.Who.Actor, b.Who.Device = workshop, "token", b.Who.Name
	if used != nil && now.Sub(*used) < time.Minute {
		return b, nil
	}
	err = s.settle(ctx, workshop, func(t pgx.Tx) error {
		_, err := t.Exec(ctx, `INSERT INTO api_token_use (workshop_id, token_id, used_at) VALUES ($1, $2, $3)
			ON CONFLICT (workshop_id, token_id) DO UPDATE SET used_at = excluded.used_at`, workshop, b.Token, now)
		return err
	})
	if err != nil {
		return Bearer{}, fmt.Errorf("store: token: %w", err)
	}
	return b, nil
}
