package store

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/notice"
	"example.org/stillroom/internal/trace"
)

// RecallText is a text that tells of a recall.
type RecallText struct {
	ID      RowID // zero for a draft that nobody saved
	Kind    string
	Subject string // of an e-mail
	Body    string
	Made    Made // of a saved one
}

// Saved tells whether somebody edited it; a draft follows the recall's facts.
func (r RecallText) Saved() bool { return r.ID != RowID{} }

// RecallLetters are the texts of a recall with what they are made from.
type RecallLetters struct {
	Recall
	Facts    notice.Facts
	Texts    []RecallText // in the order of notice.Kinds
	Pictures []Document   // photos and labels of the recall and its products
}

// Text is the text of a kind.
func (l RecallLetters) Text(kind string) RecallText {
	for _, t := range l.Texts {
		if t.Kind == kind {
			return t
		}
	}
	return RecallText{Kind: kind}
}

// RecallLetters reads the texts of a recall: those that were saved, and drafts from its facts for the rest.
func (s *Store) RecallLetters(ctx context.Context, workshop WorkshopID, n int) (RecallLetters, error) {
	var out RecallLetters
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		out, err = recallLetters(ctx, t, workshop, n)
		return err
	})
	if err != nil {
		return RecallLetters{}, fmt.Errorf("store: letters of recall %d: %w", n, err)
	}
	return out, nil
}

func recallLetters(ctx context.Context, t pgx.Tx, workshop WorkshopID, n int) (RecallLetters, error) {
	r, err := recallByNumber(ctx, t, workshop, n)
	if err != nil {
		return RecallLetters{}, err
	}
	if r.Drill || r.Level == "stock" {
		return RecallLetters{}, fault.New(fault.NotFound, r.Code()+" tells nobody outside: it has no letters.")
	}
	out := RecallLetters{Recall: r}
	var w Workshop
	var contact string
	err = together(ctx, t,
		func(t pgx.Tx) (err error) {
			w, err = scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
			return err
		},
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT coalesce(contact, '') FROM workshop WHERE id = $1`, workshop).Scan(&contact)
		},
		func(t pgx.Tx) (err error) {
			out.Facts.Products, err = recalledProducts(ctx, t, workshop, r.ID)
			return err
		},
		func(t pgx.Tx) (err error) {
			out.Pictures, err = documents(ctx, t, workshop, `d.kind IN ('photo', 'label') AND d.media_type IN ('image/jpeg', 'image/png') AND (d.recall_id = $2 OR d.product_id IN (
				SELECT k.product_id FROM recall_scope s JOIN packing k ON k.workshop_id = $1 AND k.id = s.packing_id WHERE s.workshop_id = $1 AND s.recall_id = $2))`, r.ID)
			return err
		},
		func(t pgx.Tx) (err error) {
			out.Texts, err = recallTexts(ctx, t, workshop, r.ID)
			return err
		})
	if err != nil {
		return out, err
	}
	if err := salesDays(ctx, t, workshop, r.ID, w.Style, &out.Facts); err != nil {
		return out, err
	}
	f := &out.Facts
	f.Workshop, f.Reason, f.Hazard, f.ToDo, f.Remedy, f.Contact, f.Picture = w.Name, r.Reason, r.Hazard, r.ToDo, r.Remedy, firstOf(strings.TrimSpace(r.Contact), contact), len(out.Pictures) > 0
	saved := out.Texts
	out.Texts = nil
	for _, kind := range notice.Kinds {
		text := RecallText{Kind: kind, Body: f.Draft(kind)}
		if kind == notice.Email {
			text.Subject = shortened(f.Subject(), 200)
		}
		if i := slices.IndexFunc(saved, func(x RecallText) bool { return x.Kind == kind }); i >= 0 {
			text = saved[i]
		}
		out.Texts = append(out.Texts, text)
	}
	return out, nil
}

// shortened is a text of at most so many characters.
func shortened(text string, most int) string {
	if letters := []rune(text); len(letters) > most {
		return string(letters[:most-1]) + "…"
	}
	return text
}

// salesDays are the days between which units of the list were sent.
func salesDays(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID, style measure.Style, f *notice.Facts) error {
	var from, to day.Day
	err := t.QueryRow(ctx, `SELECT min(d.dispatched_on), max(d.dispatched_on) FROM recall_list l JOIN dispatch d ON d.workshop_id = $1 AND d.id = l.dispatch_id WHERE l.workshop_id = $1 AND l.recall_id = $2`, workshop, id).Scan(&from, &to)
	if err == nil && !from.IsZero() {
		f.From, f.To = style.Day(from), style.Day(to)
	}
	return err
}

// recalledProducts are the products of a recall with the codes that their units bear, other codes than the packing's own
// among them, and the date as it is printed. A packing of which nothing left is in it too: somebody may hold a unit that the
// book does not know of.
func recalledProducts(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID) ([]notice.Product, error) {
	rows, err := t.Query(ctx, `SELECT p.name, x.code, coalesce(k.printed, '') FROM recall_scope s JOIN packing k ON k.workshop_id = $1 AND k.id = s.packing_id JOIN product p ON p.workshop_id = $1 AND p.id = k.product_id
		CROSS JOIN LATERAL (SELECT k.code, 0 AS other UNION SELECT u.code, 1 FROM unit_code u WHERE u.workshop_id = $1 AND u.packing_id = k.id AND u.replaced_by IS NULL) x
		WHERE s.workshop_id = $1 AND s.recall_id = $2 ORDER BY p.name, p.code, k.code, x.other, x.code`, workshop, id)
	if err != nil {
		return nil, err
	}
	var list []notice.Product
	var name string
	var m notice.Mark
	_, err = pgx.ForEachRow(rows, []any{&name, &m.Code, &m.BestBefore}, func() error {
		if len(list) == 0 || list[len(list)-1].Name != name {
			list = append(list, notice.Product{Name: name})
		}
		p := &list[len(list)-1]
		p.Units = append(p.Units, m)
		return nil
	})
	return list, err
}

func recallTexts(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID) ([]RecallText, error) {
	rows, err := t.Query(ctx, `SELECT e.id, e.kind, e.subject, e.body, coalesce(p.name, c.actor), c.at FROM recall_text e`+madeBy+`WHERE e.workshop_id = $1 AND e.recall_id = $2 AND e.replaced_by IS NULL`, workshop, id)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (RecallText, error) {
		var x RecallText
		return x, row.Scan(&x.ID, &x.Kind, &x.Subject, &x.Body, &x.Made.By, &x.Made.At)
	})
}

// NewRecallText is a text as it was edited. Seen is the id of the one that it was made from, zero for the draft.
type NewRecallText struct {
	Kind, Subject, Body string
	Seen                string
}

// SaveRecallText keeps an edited text in place of the draft or of the last one, which stays in the book. An empty body
// takes the draft again. Faults: subject, body.
func (s *Store) SaveRecallText(ctx context.Context, who Who, entry Entry, n int, text NewRecallText) error {
	text.Subject, text.Body = strings.TrimSpace(text.Subject), strings.TrimSpace(strings.ReplaceAll(text.Body, "\r\n", "\n"))
	if !slices.Contains(notice.Kinds, text.Kind) {
		return fault.New(fault.NotFound, "There is no such text.")
	}
	var f fault.Fields
	if utf8.RuneCountInString(text.Body) > 20000 {
		f.Add("body", "At most 20,000 characters, please.")
	}
	switch {
	case text.Kind != notice.Email:
		text.Subject = ""
	case text.Subject == "" && text.Body != "":
		f.Add("subject", "What stands above the e-mail?")
	case utf8.RuneCountInString(text.Subject) > 200 || strings.ContainsAny(text.Subject, "\r\n"):
		f.Add("subject", "One line of at most 200 characters, please.")
	}
	if err := f.Err(); err != nil {
		return err
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		r, err := t.openForTelling(ctx, n)
		if err != nil {
			return err
		}
		if r.Level == "stock" {
			return fault.New(fault.NotFound, r.Code()+" tells nobody outside: it has no letters.")
		}
		list, err := recallTexts(ctx, t, who.Workshop, r.ID)
		if err != nil {
			return err
		}
		was := RecallText{}
		for _, x := range list {
			if x.Kind == text.Kind {
				was = x
			}
		}
		if now := textSeen(was.ID); text.Seen != now {
			return fault.New(fault.Conflict, "Somebody saved this text meanwhile. Look at theirs; saving again puts yours in its place.")
		}
		id := newID[RowID]()
		if text.Body == "" {
			id = was.ID
		}
		if was.Saved() {
			if _, err := t.Exec(ctx, `UPDATE recall_text SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, was.ID, id); err != nil {
				return err
			}
		}
		if text.Body == "" {
			return nil
		}
		_, err = t.Exec(ctx, `INSERT INTO recall_text (workshop_id, id, recall_id, kind, subject, body, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7)`, who.Workshop, id, r.ID, text.Kind, text.Subject, text.Body, t.change)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: text of recall %d: %w", n, err)
	}
	return nil
}

// textSeen is a text's id as a form says it back.
func textSeen(id RowID) string {
	if id == (RowID{}) {
		return ""
	}
	return Text(id)
}

// Seen is what a form that edits the text says back.
func (r RecallText) Seen() string { return textSeen(r.ID) }

// RecallWords are the facts of a recall that its texts are made of.
type RecallWords struct{ Hazard, ToDo, Remedy, Contact string }

// SetRecallWords changes what the texts say; texts that were saved stay as they are. Faults: hazard, to_do, remedy, contact.
func (s *Store) SetRecallWords(ctx context.Context, who Who, entry Entry, n int, w RecallWords) error {
	var f fault.Fields
	for _, x := range []struct {
		field, text string
		most        int
	}{{"hazard", w.Hazard, 2000}, {"to_do", w.ToDo, 2000}, {"remedy", w.Remedy, 2000}, {"contact", w.Contact, 1000}} {
		if utf8.RuneCountInString(x.text) > x.most {
			f.Add(x.field, fmt.Sprintf("At most %d characters, please.", x.most))
		}
	}
	if err := f.Err(); err != nil {
		return err
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		r, err := t.openForTelling(ctx, n)
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE recall SET hazard = $3, to_do = $4, remedy = $5, contact = $6 WHERE workshop_id = $1 AND id = $2 AND (hazard, to_do, remedy, contact) IS DISTINCT FROM ($3, $4, $5, $6)`,
			who.Workshop, r.ID, w.Hazard, w.ToDo, w.Remedy, w.Contact)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: words of recall %d: %w", n, err)
	}
	return nil
}

// AttachToRecall adds pictures to a recall: of the product, of where its code stands.
func (s *Store) AttachToRecall(ctx context.Context, who Who, entry Entry, n int, files []Upload) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		r, err := t.openForTelling(ctx, n)
		if err != nil {
			return err
		}
		for _, u := range files {
			if !strings.HasPrefix(u.MediaType, "image/") {
				return fault.In("file", "A picture, please: JPEG or PNG.")
			}
			if err := t.attach(ctx, "recall_id", r.ID, u); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("store: attach to recall %d: %w", n, err)
	}
	return nil
}

// RecallMerge writes the letters' addresses as CSV for a mail merge, guarded for spreadsheets: a row for each customer who
// is told by name, with product, codes and units.
func (s *Store) RecallMerge(ctx context.Context, workshop WorkshopID, n int, w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.Write([]string{"customer", "name", "address", "email", "phone", "products", "codes", "units"}); err != nil {
		return err
	}
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		letters, err := recallLetters(ctx, t, workshop, n)
		if err != nil {
			return err
		}
		rows, err := t.Query(ctx, toldFrom+`SELECT c.code, c.name, c.address, c.email, c.phone, p.products, p.codes, c.units_out FROM told c
			CROSS JOIN LATERAL (SELECT string_agg(DISTINCT r.name, ', ' ORDER BY r.name) AS products, string_agg(DISTINCT x.code, ', ' ORDER BY x.code) AS codes FROM lines l
				JOIN packing k ON k.workshop_id = $1 AND k.id = l.packing_id JOIN product r ON r.workshop_id = $1 AND r.id = k.product_id
				CROSS JOIN LATERAL (SELECT k.code UNION SELECT u.code FROM unit_code u WHERE u.workshop_id = $1 AND u.packing_id = k.id AND u.replaced_by IS NULL) x WHERE l.customer_id = c.id) p
			WHERE c.kind <> 'event' ORDER BY c.name, c.code`, workshop, letters.ID, letters.Level)
		if err != nil {
			return err
		}
		cells := make([]string, 7)
		var units int
		_, err = pgx.ForEachRow(rows, []any{&cells[0], &cells[1], &cells[2], &cells[3], &cells[4], &cells[5], &cells[6], &units}, func() error {
			row := make([]string, 0, 8)
			for _, c := range cells {
				row = append(row, trace.Guard(c))
			}
			return out.Write(append(row, strconv.Itoa(units)))
		})
		return err
	})
	out.Flush()
	if err == nil {
		err = out.Error()
	}
	if err != nil {
		return fmt.Errorf("store: mail merge of recall %d: %w", n, err)
	}
	return nil
}
