package store

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

// The folder book/ of an export has each table of records as it is, beside the tables of the contract: what those do not
// hold goes and comes with it. Tables and columns come from the catalogue, so a new table is in it without anybody thinking
// of it; what stays behind stands here, each with its reason.

// bookWithout are tables that no export holds.
var bookWithout = map[string]string{
	"audit":           "the trail is this book's own; a backup has it",
	"chain_head":      "the chain is this book's own",
	"chain_link":      "the chain is this book's own",
	"session":         "who is signed in is nobody else's business",
	"one_time_link":   "a link lets somebody in",
	"api_token":       "a token lets a program in",
	"api_token_use":   "belongs to tokens",
	"throttle":        "counts tries of an hour",
	"entry_key":       "keeps a form from being stored twice, here",
	"import_job":      "a file on its way in",
	"import_mapping":  "how a spreadsheet was read here last time; it is asked anew",
	"import_chunk":    "a file on its way in",
	"backup_note":     "says of this database when it was backed up",
	"search_key":      "follows from the records, and is made anew",
	"code_near":       "follows from the codes, and is made anew",
	"document_chunk":  "the bytes of papers are files in book/documents/",
	"climate_reading": "climate_readings.csv has all of it",
}

// bookWithoutColumns are columns that no export holds, by table and name, or by name alone.
var bookWithoutColumns = map[string]string{
	"workshop_id":                   "the workshop is the file's",
	"personal_key":                  "a secret; another is made on the way in",
	"person.password_hash":          "a secret; people are sent a link",
	"change.within":                 "says how this book came to know of it",
	"workshop.id":                   "the workshop is the file's",
	"workshop.named":                "says that somebody has set this workshop up",
	"person.email_key":              "follows from the address",
	"batch.code_key":                "follows from the code",
	"packing.code_key":              "follows from the code",
	"unit_code.code_key":            "follows from the code",
	"material_lot.supplier_lot_key": "follows from the supplier's lot",
}

// bookMade is what an import makes of a row's other values for the columns that follow from them.
var bookMade = map[string]func(value func(string) string) string{
	"person.email_key":              func(v func(string) string) string { return foldEmail(v("email")) },
	"batch.code_key":                func(v func(string) string) string { return foldBatch(v("code")) },
	"packing.code_key":              func(v func(string) string) string { return foldBatch(v("code")) },
	"unit_code.code_key":            func(v func(string) string) string { return foldBatch(v("code")) },
	"material_lot.supplier_lot_key": func(v func(string) string) string { return foldWord(v("supplier_lot")) },
}

// bookSays hold a value to what no constraint of the database knows.
var bookSays = map[string]func(string) error{
	"batch.code":   batchcode.Validate,
	"packing.code": batchcode.Validate,
	"workshop.zone": func(zone string) error {
		var f fault.Fields
		if checkZone(&f, zone); f.Err() != nil {
			return fmt.Errorf("%q is no time zone of the IANA list, such as Europe/Dublin", zone)
		}
		return nil
	},
	"workshop.code_pattern": func(pattern string) error {
		_, err := batchcode.ParsePattern(pattern)
		return err
	},
}

// bookFound is under what the look-up box finds a row of a table: the kind, the column of what it leads to, the keys.
type bookFound struct {
	kind, target string
	keys         func(value func(string) string) []string
}

func bookFinds(table string) []bookFound {
	named := func(more ...string) []bookFound {
		return []bookFound{{table, "id", func(v func(string) string) []string {
			keys := append(words(v("name")), foldWord(v("code")))
			for _, column := range more {
				keys = append(keys, words(v(column))...)
			}
			return keys
		}}}
	}
	coded := func(kind, target string) []bookFound {
		return []bookFound{{kind, target, func(v func(string) string) []string { return []string{foldWord(v("code")), foldCode(v("code"))} }}}
	}
	switch table {
	case "supplier", "customer":
		return named()
	case "material":
		return named("inci_name")
	case "product":
		return named("grade", "letters")
	case "formula":
		return named("letters")
	case "equipment":
		return append(named(), coded("equipment", "id")...)
	case "crate", "dispatch":
		return []bookFound{{table, "id", func(v func(string) string) []string { return []string{foldWord(v("code"))} }}}
	case "material_lot":
		return append(coded("lot", "id"),
			bookFound{"lot", "id", func(v func(string) string) []string {
				if v("tub") == "" {
					return nil
				}
				return append(words(v("tub")), foldWord(v("tub")))
			}},
			bookFound{"supplier_lot", "id", func(v func(string) string) []string { return []string{foldWord(v("supplier_lot"))} }})
	case "batch":
		return coded("batch", "id")
	case "packing":
		return coded("batch", "batch_id")
	}
	return nil
}

// bookNear is where a code on units leads, of the tables that have such codes: the batch of a staged row s.
var bookNear = map[string]string{
	"batch":     `s.id`,
	"packing":   `s.batch_id`,
	"unit_code": `(SELECT p.batch_id FROM packing p WHERE p.workshop_id = @ws AND p.id = s.packing_id)`,
}

// bookTable is a table of the book as the catalogue describes it, without what stays behind.
type bookTable struct {
	interchange.BookTable
	made     []string // columns that an import makes
	personal bool     // has a key of its own for its personal values
	changes  bool     // names the change that wrote it
	columns  []bookColumn
	foreign  []bookForeign
	unique   []bookUnique
	checks   []bookCheck
}

type bookColumn struct {
	Name    string
	Type    string
	Needed  bool
	Default string
	C       bool // sorts by bytes
}

// bookForeign is a foreign key without the workshop in it.
type bookForeign struct {
	Name    string
	To      string
	Columns []string
	Keys    []string
}

type bookUnique struct {
	Keys  []string // expressions; the workshop is not among them
	Where string
}

type bookCheck struct {
	Name, Column, Expression string
}

var bookKinds = map[string]interchange.BookKind{
	"text": interchange.BookText, "uuid": interchange.BookID, "integer": interchange.BookWhole, "bigint": interchange.BookLong, "numeric": interchange.BookNumber,
	"boolean": interchange.BookFlag, "date": interchange.BookDay, "timestamp with time zone": interchange.BookMoment, "bytea": interchange.BookBytes, "jsonb": interchange.BookJSON,
}

// BookTables are the tables of the folder book/, by name, each with what the schema says of it.
func (s *Store) BookTables(ctx context.Context, workshop WorkshopID) ([]interchange.BookTable, error) {
	var list []interchange.BookTable
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		tables, err := bookTables(ctx, t)
		for _, table := range tables {
			list = append(list, table.BookTable)
		}
		slices.SortFunc(list, func(a, b interchange.BookTable) int { return strings.Compare(a.Name, b.Name) })
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: tables of the book: %w", err)
	}
	return list, nil
}

// bookTables reads the catalogue: each table behind those that its rows name.
func bookTables(ctx context.Context, t pgx.Tx) ([]bookTable, error) {
	all, err := catalogue(ctx, t)
	if err != nil {
		return nil, err
	}
	order, err := loadOrder(ctx, t, all)
	if err != nil {
		return nil, err
	}
	rules, err := bookCatalogue(ctx, t)
	if err != nil {
		return nil, err
	}
	var tables []bookTable
	for _, c := range order {
		if bookWithout[c.Name] != "" {
			continue
		}
		b, err := rules.table(c)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.Name, err)
		}
		tables = append(tables, b)
	}
	return tables, nil
}

// bookRules is what the catalogue says of all tables, by name.
type bookRules struct {
	docs    map[string][]string
	columns map[string][]bookColumn
	foreign map[string][]bookForeign
	unique  map[string][]bookUnique
	checks  map[string][]bookCheck
}

func bookCatalogue(ctx context.Context, t pgx.Tx) (r bookRules, err error) {
	const ours = `c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace`
	if r.docs, err = byTable[string](ctx, t, `SELECT c.relname::text, coalesce(obj_description(c.oid), '') FROM pg_class c WHERE `+ours); err != nil {
		return r, err
	}
	if r.columns, err = byTable[bookColumn](ctx, t, `SELECT c.relname::text, a.attname::text, format_type(a.atttypid, -1), a.attnotnull, coalesce(pg_get_expr(d.adbin, d.adrelid), ''), coalesce(l.collname = 'C', false)
		FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid LEFT JOIN pg_attrdef d ON d.adrelid = a.attrelid AND d.adnum = a.attnum LEFT JOIN pg_collation l ON l.oid = a.attcollation
		WHERE `+ours+` AND a.attnum > 0 AND NOT a.attisdropped ORDER BY c.relname, a.attnum`); err != nil {
		return r, err
	}
	if r.foreign, err = byTable[bookForeign](ctx, t, `SELECT c.relname::text, x.conname::text, f.relname::text,
			(SELECT array_agg(a.attname::text ORDER BY k.n) FROM unnest(x.conkey) WITH ORDINALITY k (num, n) JOIN pg_attribute a ON a.attrelid = x.conrelid AND a.attnum = k.num WHERE a.attname <> 'workshop_id'),
			(SELECT array_agg(a.attname::text ORDER BY k.n) FROM unnest(x.confkey) WITH ORDINALITY k (num, n) JOIN pg_attribute a ON a.attrelid = x.confrelid AND a.attnum = k.num WHERE a.attname <> 'workshop_id')
		FROM pg_constraint x JOIN pg_class c ON c.oid = x.conrelid JOIN pg_class f ON f.oid = x.confrelid WHERE `+ours+` AND x.contype = 'f' AND f.relname <> 'workshop' ORDER BY c.relname, x.conname`); err != nil {
		return r, err
	}
	if r.unique, err = byTable[bookUnique](ctx, t, `SELECT c.relname::text, (SELECT array_agg(k.e ORDER BY k.n) FROM (SELECT n, pg_get_indexdef(i.indexrelid, n, true) AS e FROM generate_series(1, i.indnkeyatts) n) k WHERE k.e <> 'workshop_id'),
			coalesce(pg_get_expr(i.indpred, i.indrelid), 'true')
		FROM pg_index i JOIN pg_class c ON c.oid = i.indrelid JOIN pg_class x ON x.oid = i.indexrelid WHERE `+ours+` AND i.indisunique AND NOT (i.indnkeyatts = 1 AND pg_get_indexdef(i.indexrelid, 1, true) = 'workshop_id') ORDER BY c.relname, i.indisprimary DESC, x.relname`); err != nil {
		return r, err
	}
	r.checks, err = byTable[bookCheck](ctx, t, `SELECT c.relname::text, x.conname::text, coalesce((SELECT a.attname::text FROM unnest(x.conkey) WITH ORDINALITY k (num, n) JOIN pg_attribute a ON a.attrelid = x.conrelid AND a.attnum = k.num ORDER BY k.n LIMIT 1), ''),
			pg_get_expr(x.conbin, x.conrelid)
		FROM pg_constraint x JOIN pg_class c ON c.oid = x.conrelid WHERE `+ours+` AND x.contype = 'c' ORDER BY c.relname, x.conname`)
	return r, err
}

// byTable collects rows of the catalogue under the name of their table, which comes first.
func byTable[T any](ctx context.Context, t pgx.Tx, query string) (map[string][]T, error) {
	all := map[string][]T{}
	rows, err := t.Query(ctx, query)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var table string
		var one T
		into := []any{&table}
		switch x := any(&one).(type) {
		case *string:
			into = append(into, x)
		case *bookColumn:
			into = append(into, &x.Name, &x.Type, &x.Needed, &x.Default, &x.C)
		case *bookForeign:
			into = append(into, &x.Name, &x.To, &x.Columns, &x.Keys)
		case *bookUnique:
			into = append(into, &x.Keys, &x.Where)
		case *bookCheck:
			into = append(into, &x.Name, &x.Column, &x.Expression)
		}
		if err := rows.Scan(into...); err != nil {
			return nil, err
		}
		all[table] = append(all[table], one)
	}
	return all, rows.Err()
}

func (r bookRules) table(c catalogueTable) (b bookTable, err error) {
	b.Name = c.Name
	b.Doc = strings.Join(r.docs[c.Name], "")
	left := map[string]bool{}
	for _, column := range r.columns[c.Name] {
		full := c.Name + "." + column.Name
		b.personal = b.personal || column.Name == "personal_key"
		b.changes = b.changes || column.Name == "change_id"
		if bookMade[full] != nil {
			b.made = append(b.made, column.Name)
		}
		if bookWithoutColumns[full] != "" || bookWithoutColumns[column.Name] != "" {
			left[column.Name] = bookMade[full] == nil
			continue
		}
		kind, known := bookKinds[column.Type]
		if !known {
			return b, fmt.Errorf("column %s: nobody said how a %s is written", column.Name, column.Type)
		}
		b.columns = append(b.columns, column)
		b.Columns = append(b.Columns, interchange.BookColumn{Name: column.Name, Kind: kind, Needed: column.Needed, Filled: column.Default != ""})
	}
	for _, key := range c.Key {
		if b.column(key) != nil {
			b.Key = append(b.Key, key)
		}
	}
	// What is about columns that stay behind is met by whoever fills them.
	for _, f := range r.foreign[c.Name] {
		if !slices.ContainsFunc(f.Columns, func(c string) bool { return left[c] }) {
			b.foreign = append(b.foreign, f)
		}
	}
	for _, u := range r.unique[c.Name] {
		if !slices.ContainsFunc(u.Keys, func(c string) bool { return left[c] }) {
			b.unique = append(b.unique, u)
		}
	}
	for _, k := range r.checks[c.Name] {
		if !left[k.Column] {
			b.checks = append(b.checks, k)
		}
	}
	return b, nil
}

func (b *bookTable) column(name string) *bookColumn {
	if i := slices.IndexFunc(b.columns, func(c bookColumn) bool { return c.Name == name }); i >= 0 {
		return &b.columns[i]
	}
	return nil
}

// names are the columns that stand in the file.
func (b *bookTable) names() []string {
	names := make([]string, len(b.columns))
	for i, c := range b.columns {
		names[i] = c.Name
	}
	return names
}
