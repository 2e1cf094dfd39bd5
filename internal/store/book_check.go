package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/interchange"
)

// checkBook holds what is staged to the rules of the catalogue, and where the workshop is not empty to what is there.
func (i *importing) checkBook(ctx context.Context, src ImportSource, withWorkshop bool) error {
	for _, b := range i.book.tables {
		for _, u := range b.unique {
			if err := i.checkTwice(ctx, b, u); err != nil {
				return err
			}
		}
	}
	if err := i.samePeople(ctx); err != nil {
		return err
	}
	for _, b := range i.book.tables {
		for _, f := range b.foreign {
			if err := i.checkReference(ctx, b, f); err != nil {
				return err
			}
		}
		for _, c := range b.checks {
			if err := i.bookFault(ctx, b, fmt.Sprintf(`SELECT s.row, '%s', %s FROM %s s WHERE NOT s.bad AND (%s) IS FALSE`, fileColumn(c.Column), literal("does not fit the rule "+c.Name+": "+c.Expression), staged(b.Name), c.Expression)); err != nil {
				return fmt.Errorf("%s: %w", c.Name, err)
			}
		}
	}
	if err := i.checkOneWorkshop(ctx, withWorkshop); err != nil {
		return err
	}
	if err := i.checkRoom(ctx); err != nil {
		return err
	}
	if err := i.checkPapers(ctx, src); err != nil {
		return err
	}
	if i.book.empty {
		return nil
	}
	for _, b := range i.book.tables {
		if err := i.compareBook(ctx, b); err != nil {
			return err
		}
	}
	return nil
}

func (i *importing) bookFault(ctx context.Context, b bookTable, query string) error {
	_, err := i.Exec(ctx, fmt.Sprintf(`INSERT INTO import_fault (tab, row, col, words) SELECT 'book/%s', x.* FROM (%s) x`, b.Name, query), i.args())
	return err
}

// literal writes a text into SQL.
func literal(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }

// fileColumn is the column of the file that a column of the table comes from.
func fileColumn(column string) string { return strings.TrimSuffix(column, "_key") }

var plainColumn = regexp.MustCompile(`^[a-z0-9_]+$`)

// checkTwice finds rows of the file that one unique key holds apart.
func (i *importing) checkTwice(ctx context.Context, b bookTable, u bookUnique) error {
	column := ""
	for _, key := range u.Keys {
		if plainColumn.MatchString(key) {
			column = key
		}
	}
	keys := strings.Join(u.Keys, ", ")
	return i.bookFault(ctx, b, fmt.Sprintf(`SELECT d.row, %s, 'the same stands in row ' || d.first FROM (SELECT x.row, min(x.row) OVER (PARTITION BY %s) AS first FROM %s x WHERE NOT x.bad AND (%s) AND num_nulls(%s) = 0) d WHERE d.row > d.first`,
		literal(fileColumn(column)), keys, staged(b.Name), u.Where, keys))
}

// samePeople turns what names a person whose address somebody of the workshop has into that one.
func (i *importing) samePeople(ctx context.Context) error {
	if _, err := i.Exec(ctx, `CREATE TEMP TABLE bk_same_person ON COMMIT DROP AS SELECT s.row, s.id AS told, p.id AS have FROM bk_person s JOIN person p ON p.workshop_id = @ws AND p.email_key = s.email_key WHERE NOT s.bad`, i.args()); err != nil {
		return err
	}
	for _, b := range i.book.tables {
		for _, f := range b.foreign {
			if f.To != "person" {
				continue
			}
			if _, err := i.Exec(ctx, fmt.Sprintf(`UPDATE %s s SET %[2]s = m.have FROM bk_same_person m WHERE s.%[2]s = m.told AND m.told <> m.have`, staged(b.Name), f.Columns[len(f.Columns)-1])); err != nil {
				return err
			}
		}
	}
	tag, err := i.Exec(ctx, `DELETE FROM bk_person s USING bk_same_person m WHERE s.row = m.row`)
	if err != nil {
		return err
	}
	i.book.same += tag.RowsAffected()
	_, err = i.Exec(ctx, `INSERT INTO import_fault (tab, row, col, words) SELECT 'book/person', s.row, 'id', 'is the id of "' || p.email || '" here, who is somebody else' FROM bk_person s JOIN person p ON p.workshop_id = @ws AND p.id = s.id WHERE NOT s.bad`, i.args())
	return err
}

// checkReference finds rows that name another which is neither in the file nor in the book.
func (i *importing) checkReference(ctx context.Context, b bookTable, f bookForeign) error {
	var set, inFile, inBook []string
	for n, c := range f.Columns {
		set = append(set, fmt.Sprintf("s.%s IS NOT NULL", c))
		inFile = append(inFile, fmt.Sprintf("r.%s = s.%s", f.Keys[n], c))
		inBook = append(inBook, fmt.Sprintf("d.%s = s.%s", f.Keys[n], c))
	}
	last := f.Columns[len(f.Columns)-1]
	return i.bookFault(ctx, b, fmt.Sprintf(`SELECT s.row, '%[1]s', 'no row of %[2]s.csv has the id ' || s.%[1]s FROM %[3]s s WHERE NOT s.bad AND %[4]s AND NOT EXISTS (SELECT FROM %[5]s r WHERE %[6]s) AND NOT EXISTS (SELECT FROM %[7]s d WHERE d.workshop_id = @ws AND %[8]s)`,
		last, interchange.BookFolder+f.To, staged(b.Name), strings.Join(set, " AND "), staged(f.To), strings.Join(inFile, " AND "), f.To, strings.Join(inBook, " AND ")))
}

// checkOneWorkshop holds the workshop's row to be one, and the same as in the contract's table.
func (i *importing) checkOneWorkshop(ctx context.Context, withWorkshop bool) error {
	b := i.book.tables[slices.IndexFunc(i.book.tables, func(t bookTable) bool { return t.Name == "workshop" })]
	if err := i.bookFault(ctx, b, `SELECT s.row, 'code', 'there is one workshop in a file, and one row' FROM bk_workshop s WHERE s.row > (SELECT min(x.row) FROM bk_workshop x)`); err != nil {
		return err
	}
	if !i.book.empty || !withWorkshop || len(i.report.Faults) > 0 {
		return nil
	}
	for _, column := range []string{"code", "name", "zone", "code_pattern"} {
		if err := i.bookFault(ctx, b, fmt.Sprintf(`SELECT s.row, '%[1]s', 'workshop.csv says "' || w.%[1]s || '"' FROM bk_workshop s JOIN workshop w ON w.id = @ws WHERE NOT s.bad AND s.%[1]s <> w.%[1]s`, column)); err != nil {
			return err
		}
	}
	return nil
}

// checkRoom finds codes on units that stand for two batches: batches and packings share one room of codes.
func (i *importing) checkRoom(ctx context.Context) error {
	_, err := i.Exec(ctx, `INSERT INTO import_fault (tab, row, col, words) SELECT 'book/packing', p.row, 'code', 'reads the same as batch "' || b.code || '"' FROM bk_packing p JOIN bk_batch b ON b.code_key = p.code_key WHERE NOT p.bad AND NOT b.bad AND (b.id <> p.batch_id OR b.code <> p.code)`)
	return err
}

// checkPapers holds the bytes of each paper to what its row says.
func (i *importing) checkPapers(ctx context.Context, src ImportSource) error {
	rows, err := i.Query(ctx, `SELECT s.row, s.id::text, s.size, s.sha256 FROM bk_document s WHERE NOT s.bad ORDER BY s.row`)
	if err != nil {
		return err
	}
	type paper struct {
		Row    int
		ID     string
		Size   int64
		SHA256 []byte
	}
	papers, err := pgx.CollectRows(rows, pgx.RowToStructByPos[paper])
	if err != nil {
		return err
	}
	meant := map[string]bool{}
	for _, p := range papers {
		meant[p.ID] = true
		name := i.book.files.papers[p.ID]
		if name == "" {
			i.note(interchange.Fault{File: "book/document.csv", Row: p.Row, Column: "id", Words: "there is no file " + interchange.DocumentFolder + p.ID})
			continue
		}
		in, err := src.Open(name)
		if err != nil {
			return err
		}
		sum := sha256.New()
		size, err := io.Copy(sum, in)
		in.Close()
		if err != nil {
			return unreadable(err)
		}
		if size != p.Size || !bytes.Equal(sum.Sum(nil), p.SHA256) {
			i.note(interchange.Fault{File: "book/document.csv", Row: p.Row, Column: "sha256", Words: "the file " + name + " has other bytes than this says"})
		}
	}
	for id, name := range i.book.files.papers {
		if !meant[id] && i.book.refused == 0 {
			i.note(interchange.Fault{File: name, Words: "no row of book/document.csv has its id"})
		}
	}
	return nil
}

// compareBook finds rows that the book does not have just so.
func (i *importing) compareBook(ctx context.Context, b bookTable) error {
	where := []string{"d.workshop_id = @ws"}
	if b.Name == "workshop" {
		where[0] = "d.id = @ws"
	}
	for _, key := range b.Key {
		where = append(where, fmt.Sprintf("d.%[1]s = s.%[1]s", key))
	}
	var differ, had []string
	for _, c := range b.columns {
		if slices.Contains(b.Key, c.Name) {
			continue
		}
		differ = append(differ, fmt.Sprintf("WHEN d.%[1]s IS DISTINCT FROM s.%[1]s THEN '%[1]s'", c.Name))
		had = append(had, fmt.Sprintf("WHEN d.%[1]s IS DISTINCT FROM s.%[1]s THEN coalesce('\"' || left(d.%[1]s::text, 60) || '\"', 'nothing')", c.Name))
	}
	first := "id"
	if len(b.Key) > 0 {
		first = b.Key[0]
	}
	if b.Name != "workshop" {
		if err := i.bookFault(ctx, b, fmt.Sprintf(`SELECT s.row, '%s', %s FROM %s s WHERE NOT s.bad AND NOT EXISTS (SELECT FROM %s d WHERE %s)`,
			first, literal("the workshop has no such row"+goesIntoEmpty), staged(b.Name), b.Name, strings.Join(where, " AND "))); err != nil {
			return err
		}
	}
	if len(differ) == 0 {
		return nil
	}
	return i.bookFault(ctx, b, fmt.Sprintf(`SELECT c.row, c.col, 'the workshop has ' || c.had || %s FROM (SELECT s.row, CASE %s ELSE '' END AS col, CASE %s END AS had FROM %s s JOIN %s d ON %s WHERE NOT s.bad) c WHERE c.col <> ''`,
		literal(goesIntoEmpty), strings.Join(differ, " "), strings.Join(had, " "), staged(b.Name), b.Name, strings.Join(where, " AND ")))
}

// checkVersions holds approved versions that came in to the hash of what was approved.
func (i *importing) checkVersions(ctx context.Context) error {
	broken, err := brokenVersions(ctx, i, i.who.Workshop)
	if err != nil {
		return err
	}
	for _, v := range broken {
		if _, err := i.Exec(ctx, `INSERT INTO import_fault (tab, row, col, words) SELECT 'book/formula_version', s.row, 'content_hash', $2 FROM bk_formula_version s WHERE s.id = $1`,
			v.ID, "formula "+v.Formula+" version "+fmt.Sprint(v.Number)+": its portions, lines, steps and controls are not what was approved"); err != nil {
			return err
		}
	}
	return nil
}

// bookWhole holds what came in with the folder to what no single row shows, where the contract's tables do not name it.
func (i *importing) bookWhole(ctx context.Context) error {
	for _, query := range []string{
		`INSERT INTO import_fault (tab, row, col, words) SELECT 'book/material_lot', b.row, 'quantity', 'more is drawn from lot "' || b.code || '" than it held, by ' || trim_scale(-s.on_hand)
			FROM bk_material_lot b CROSS JOIN LATERAL (SELECT x.on_hand FROM lot_stock x WHERE x.workshop_id = @ws AND x.lot_id = b.id OFFSET 0) s
			WHERE s.on_hand < 0 AND NOT EXISTS (SELECT FROM in_material_lots m WHERE m.code = b.code)`,
		`INSERT INTO import_fault (tab, row, col, words) SELECT 'book/packing', b.row, 'units_good', 'more units of "' || b.code || '" are sent, used and moved out than were made and came back, by ' || -s.on_hand
			FROM bk_packing b CROSS JOIN LATERAL (SELECT x.on_hand FROM packing_stock x WHERE x.workshop_id = @ws AND x.packing_id = b.id OFFSET 0) s
			WHERE s.on_hand < 0 AND NOT EXISTS (SELECT FROM in_packings p WHERE p.code = b.code)`,
	} {
		if _, err := i.Exec(ctx, query, i.args()); err != nil {
			return err
		}
	}
	if err := i.circlesOf(ctx, "book/batch_input", "batch", "source_batch_id", `SELECT s.row, s.batch_id, s.source_batch_id FROM bk_batch_input s WHERE s.source_batch_id IS NOT NULL AND s.replaced_by IS NULL`, "",
		`SELECT b.code FROM batch b WHERE b.workshop_id = $1 AND b.id = $2`); err != nil {
		return err
	}
	return i.circlesOf(ctx, "book/lot_input", "lot", "source_lot_id", `SELECT s.row, s.lot_id, s.source_lot_id FROM bk_lot_input s WHERE s.replaced_by IS NULL`, "", `SELECT l.code FROM material_lot l WHERE l.workshop_id = $1 AND l.id = $2`)
}
