package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

// MostFaults is how many faults of an import are told one by one; the rest are counted.
const MostFaults = 1000

// ImportOptions say what an import may do.
type ImportOptions struct {
	Update   bool                           // change rows that the book has with other values; else they are conflicts
	Preview  bool                           // do all of it and take it back
	Progress func(table string, rows int64) // told now and then while a table is read; may be nil
}

// BookOfReport is the name under which a report counts all tables of the folder book/ together.
const BookOfReport = "book"

// File is what the line of a report is called.
func (c TableCount) File() string {
	if c.Table == BookOfReport {
		return interchange.BookFolder
	}
	return c.Table + ".csv"
}

// TableCount is what an import found in one table.
type TableCount struct {
	Table   string `json:"table"`
	New     int64  `json:"new"`
	Changed int64  `json:"changed"`
	Same    int64  `json:"same"`
	Refused int64  `json:"refused"`
}

// ImportReport is what came of an import. With faults, nothing was saved.
type ImportReport struct {
	Tables []TableCount        `json:"tables"`
	Faults []interchange.Fault `json:"faults"`
	More   int64               `json:"more"` // faults beyond the first thousand
	Saved  bool                `json:"saved"`
}

// Nothing tells whether the book has all of it already.
func (r ImportReport) Nothing() bool {
	return len(r.Faults) == 0 && !slices.ContainsFunc(r.Tables, func(t TableCount) bool { return t.New > 0 || t.Changed > 0 })
}

var (
	errTakeBack = errors.New("the import is taken back")
	errUnknown  = errors.New("unknown file")
)

// Import brings tables of the interchange into a workshop, all or nothing: rows go by COPY into temporary tables, are held
// to each other and to the book set by set, and only where nothing at all is wrong they stay. It is one change; the
// rows it creates carry it, and the trail keeps their count and digest.
func (s *Store) Import(ctx context.Context, who Who, src ImportSource, o ImportOptions) (ImportReport, error) {
	files, book, report := importFiles(src)
	kind := create
	if o.Update {
		kind = correct
	}
	reason := fmt.Sprintf("Import of %s (SHA-256 %s)", src.Label(), src.SHA256())
	_, err := s.write(ctx, who, kind, reason, Entry{}, func(t *tx) error {
		i := &importing{tx: t, options: o, zone: t.workshop.Zone, report: &report, book: bookImport{files: book}}
		if err := i.run(ctx, src, files); err != nil {
			return err
		}
		if o.Preview || len(report.Faults) > 0 || report.Nothing() {
			return errTakeBack
		}
		return nil
	})
	switch {
	case errors.Is(err, errTakeBack):
		return report, nil
	case err != nil:
		return ImportReport{}, fmt.Errorf("store: import %s: %w", src.Label(), err)
	}
	report.Saved = true
	return report, nil
}

// importFiles finds the table of each file; a file that is none of the contract's, nor in the folder book/, is a fault.
func importFiles(src ImportSource) (files map[string]string, book bookFiles, report ImportReport) {
	files, book = map[string]string{}, bookFiles{tables: map[string]string{}, papers: map[string]string{}}
	for _, name := range src.Names() {
		if strings.HasPrefix(name, interchange.BookFolder) {
			book.add(name)
			continue
		}
		base := strings.TrimSuffix(name, ".csv")
		if _, ok := interchange.Lookup(base); !ok || base == name {
			report.Faults = append(report.Faults, interchange.Fault{File: name, Words: "is no table of a workshop"})
			continue
		}
		files[base] = name
	}
	if len(files) == 0 && !book.any() && len(report.Faults) == 0 {
		report.Faults = append(report.Faults, interchange.Fault{File: src.Label(), Words: "holds no table: " + strings.Join(tableFiles(), ", ")})
	}
	return files, book, report
}

func tableFiles() []string {
	var names []string
	for _, t := range interchange.Tables() {
		names = append(names, t.File())
	}
	return names
}

type importing struct {
	*tx
	options ImportOptions
	zone    string
	report  *ImportReport
	refused map[string]int64 // rows with a fault found while reading, by table
	staged  map[string]int64
	book    bookImport
}

func (i *importing) run(ctx context.Context, src ImportSource, files map[string]string) error {
	i.refused, i.staged = map[string]int64{}, map[string]int64{}
	if err := i.lockWorkshop(ctx); err != nil {
		return err
	}
	if err := i.lockGenealogy(ctx); err != nil {
		return err
	}
	// The work is few large statements; what the planner knows about fresh tables is nothing.
	if _, err := i.Exec(ctx, `SELECT set_config('app.bulk', 'on', true), set_config('work_mem', '64MB', true), set_config('jit', 'off', true)`); err != nil {
		return err
	}
	if _, err := i.Exec(ctx, `CREATE TEMP TABLE import_fault (tab text NOT NULL, row integer NOT NULL, col text NOT NULL, words text NOT NULL) ON COMMIT DROP`); err != nil {
		return err
	}
	if name, ok := files["workshop"]; ok {
		if err := i.workshopFile(ctx, src, name); err != nil {
			return err
		}
	}
	if i.book.files.any() {
		if err := i.bringBook(ctx, src, files["workshop"] != ""); err != nil {
			return fmt.Errorf("book: %w", err)
		}
	}
	all := feeds()
	for _, f := range all {
		if err := i.stage(ctx, f, src, files[f.name]); err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
	}
	if err := i.lockStock(ctx); err != nil {
		return err
	}
	if err := i.plan(ctx); err != nil {
		return err
	}
	for _, f := range all {
		if i.staged[f.name] == 0 && f.name != "packings" {
			continue
		}
		if err := i.take(ctx, f); err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
	}
	if err := i.whole(ctx); err != nil {
		return err
	}
	return i.tell(ctx)
}

// plan keeps the planner from nested loops over tables that it takes for empty because they were until now.
func (i *importing) plan(ctx context.Context) error {
	if !i.many() {
		return nil
	}
	_, err := i.Exec(ctx, `SELECT set_config('enable_nestloop', 'off', true)`)
	return err
}

// many tells whether so much comes in that reading the whole book once is no more than reading what each row touches.
func (i *importing) many() bool {
	var rows int64
	for _, n := range i.staged {
		rows += n
	}
	return rows >= 500
}

// lockStock takes the rows whose stock this import draws on, in order, as every entry does.
func (i *importing) lockStock(ctx context.Context) error {
	_, err := i.Exec(ctx, `SELECT FROM material_lot l WHERE l.workshop_id = $1 AND l.code IN (SELECT code FROM in_material_lots UNION SELECT lot FROM in_lot_inputs UNION SELECT source_lot FROM in_lot_inputs
		UNION SELECT material_lot FROM in_batch_inputs UNION SELECT material_lot FROM in_packing_inputs UNION SELECT material_lot FROM in_stock_moves) ORDER BY l.id FOR NO KEY UPDATE`, i.who.Workshop)
	if err != nil {
		return err
	}
	_, err = i.Exec(ctx, `SELECT FROM packing p JOIN batch b ON b.workshop_id = $1 AND b.id = p.batch_id WHERE p.workshop_id = $1 AND (p.code = ANY (ARRAY(SELECT code FROM in_packings UNION SELECT batch FROM in_dispatches UNION SELECT batch FROM in_returns
		UNION SELECT batch FROM in_unit_moves UNION SELECT source_batch FROM in_batch_inputs WHERE unit = 'each')) OR b.code IN (SELECT code FROM in_batches UNION SELECT batch FROM in_dispatches UNION SELECT batch FROM in_returns
		UNION SELECT batch FROM in_unit_moves UNION SELECT source_batch FROM in_batch_inputs WHERE unit = 'each')) ORDER BY p.id FOR NO KEY UPDATE OF p`, i.who.Workshop)
	return err
}

func (i *importing) args() pgx.NamedArgs {
	return pgx.NamedArgs{"ws": i.who.Workshop, "change": i.change, "zone": i.zone, "update": i.options.Update}
}

// fill writes the rows that a statement means into it.
func (f feed) fill(statement string) string {
	sound := fmt.Sprintf(`NOT x.bad AND NOT EXISTS (SELECT FROM import_fault f WHERE f.tab = '%s' AND f.row = x.row)`, f.name)
	rows := func(where string) string { return fmt.Sprintf(`(SELECT x.* FROM in_%s x WHERE %s)`, f.name, where) }
	seen := fmt.Sprintf(`EXISTS (SELECT FROM known_%s n WHERE n.row = x.row`, f.name)
	return strings.NewReplacer(
		"{staged}", rows(`NOT x.bad`),
		"{new}", rows(sound+` AND NOT `+seen+`)`),
		"{changed}", rows(sound+` AND `+seen+` AND n.col <> '')`),
		"{put}", rows(sound+` AND NOT `+seen+` AND n.col = '')`),
	).Replace(statement)
}

func (i *importing) find(ctx context.Context, f feed, query string) error {
	_, err := i.Exec(ctx, fmt.Sprintf(`INSERT INTO import_fault (tab, row, col, words) SELECT '%s', x.* FROM (%s) x`, f.name, f.fill(query)), i.args())
	return err
}

// take holds the staged rows of a table to each other and to the book, and puts the sound ones into it.
func (i *importing) take(ctx context.Context, f feed) error {
	for _, r := range f.refs {
		if err := i.find(ctx, f, fmt.Sprintf(`SELECT s.row, '%[1]s', 'no %[2]s "' || s.%[1]s || '" here or in this import' FROM in_%[3]s s WHERE s.%[1]s <> '' AND NOT (%[4]s)`, r.column, r.what, f.name, r.exists)); err != nil {
			return err
		}
	}
	for _, statement := range f.prepare {
		if _, err := i.Exec(ctx, statement, i.args()); err != nil {
			return err
		}
	}
	if err := i.twice(ctx, f); err != nil {
		return err
	}
	if err := i.compare(ctx, f); err != nil {
		return err
	}
	for _, query := range f.checks {
		if err := i.find(ctx, f, query); err != nil {
			return err
		}
	}
	for _, statement := range f.put {
		if _, err := i.Exec(ctx, f.fill(statement), i.args()); err != nil {
			return err
		}
	}
	return nil
}

// twice finds an identity that stands in one file more than once.
func (i *importing) twice(ctx context.Context, f feed) error {
	identity := f.table().Identity
	columns := "x." + strings.Join(identity, ", x.")
	same := make([]string, len(identity))
	for n, c := range identity {
		same[n] = fmt.Sprintf("s.%[1]s = d.%[1]s", c)
	}
	return i.find(ctx, f, fmt.Sprintf(`SELECT s.row, '%[1]s', 'the same stands in row ' || abs(d.first) FROM in_%[2]s s JOIN (SELECT %[3]s, min(x.row) AS first FROM in_%[2]s x GROUP BY %[3]s HAVING count(*) > 1) d ON %[4]s
		WHERE s.row > d.first AND NOT s.bad AND s.%[1]s <> ''`, identity[0], f.name, columns, strings.Join(same, " AND ")))
}

// compare notes which rows the book has, and in which column they differ. One that differs is a conflict unless the import
// may change it.
func (i *importing) compare(ctx context.Context, f feed) error {
	t := f.table()
	var same, differ, had []string
	for _, c := range t.Columns {
		if slices.Contains(t.Identity, c.Name) {
			same = append(same, fmt.Sprintf("s.%[1]s = e.%[1]s", c.Name))
			continue
		}
		is := f.differs[c.Name]
		if is == "" {
			is = fmt.Sprintf("s.%[1]s IS DISTINCT FROM e.%[1]s", c.Name)
		}
		differ = append(differ, fmt.Sprintf("WHEN %s THEN '%s'", is, c.Name))
		had = append(had, fmt.Sprintf("WHEN %s THEN e.%s", is, c.Name))
	}
	project := strings.ReplaceAll(f.project, "{only}", f.only)
	if _, err := i.Exec(ctx, fmt.Sprintf(`CREATE TEMP TABLE known_%[1]s ON COMMIT DROP AS SELECT s.row, CASE %[2]s ELSE '' END AS col, CASE %[3]s ELSE '' END AS had FROM in_%[1]s s JOIN (%[4]s) e ON %[5]s WHERE NOT s.bad`,
		f.name, strings.Join(differ, " "), strings.Join(had, " "), project, strings.Join(same, " AND "))); err != nil {
		return err
	}
	if !i.options.Update {
		if err := i.find(ctx, f, fmt.Sprintf(`SELECT n.row, n.col, 'the book has ' || CASE WHEN n.had = '' THEN 'nothing' ELSE '"' || left(n.had, 60) || '"' END || ' for "' || s.%s || '"; it is changed only where the import is told to change what is there' FROM known_%s n JOIN in_%s s ON s.row = n.row WHERE n.col <> ''`,
			t.Identity[0], f.name, f.name)); err != nil {
			return err
		}
	}
	if f.keep == "" {
		return nil
	}
	return i.find(ctx, f, fmt.Sprintf(`SELECT s.row, '%s', %s FROM {put} s WHERE %s`, t.Identity[0], f.keepWords, f.keep))
}

// whole holds the book as it would be to what no single row shows: units against packings, ledgers, circles.
func (i *importing) whole(ctx context.Context) error {
	units := feeds()[slices.IndexFunc(feeds(), func(f feed) bool { return f.name == "batches" })]
	if i.staged["batches"] > 0 {
		for _, column := range []string{"units_good", "units_rejected", "units_sampled"} {
			if err := i.find(ctx, units, fmt.Sprintf(`SELECT s.row, '%[1]s', 'says ' || coalesce(nullif(s.%[1]s, ''), '0') || ', its packings make ' || coalesce(nullif(e.%[1]s, ''), '0') FROM {staged} s JOIN (%[2]s) e ON e.code = s.code
				WHERE %[3]s AND NOT EXISTS (SELECT FROM import_fault f WHERE f.tab = 'batches' AND f.row = s.row) AND NOT EXISTS (SELECT FROM in_packings p JOIN import_fault f ON f.tab = 'packings' AND f.row = p.row WHERE p.batch = s.code)`,
				column, strings.ReplaceAll(units.project, "{only}", units.only), units.differs[column])); err != nil {
				return err
			}
		}
	}
	if err := i.overdrawn(ctx); err != nil {
		return err
	}
	if i.book.entered {
		if err := i.bookWhole(ctx); err != nil {
			return err
		}
	}
	if err := i.circles(ctx, "batch_inputs", "batch", "source_batch", `SELECT s.row, b.id, x.id FROM in_batch_inputs s JOIN batch b ON b.workshop_id = @ws AND b.code = s.batch JOIN batch x ON x.workshop_id = @ws AND x.code = s.source_batch WHERE s.source_batch <> ''
		UNION SELECT s.row, b.id, x.batch_id FROM in_batch_inputs s JOIN batch b ON b.workshop_id = @ws AND b.code = s.batch JOIN packing x ON x.workshop_id = @ws AND x.code = s.source_batch WHERE s.source_batch <> ''`,
		`SELECT 0, d.batch_id, d.source_batch_id FROM batch_input d WHERE d.workshop_id = @ws AND d.source_batch_id IS NOT NULL AND d.replaced_by IS NULL AND d.change_id <> @change`, `SELECT b.code FROM batch b WHERE b.workshop_id = $1 AND b.id = $2`); err != nil {
		return err
	}
	return i.circles(ctx, "lot_inputs", "lot", "source_lot", `SELECT s.row, a.id, b.id FROM in_lot_inputs s JOIN material_lot a ON a.workshop_id = @ws AND a.code = s.lot JOIN material_lot b ON b.workshop_id = @ws AND b.code = s.source_lot`,
		`SELECT 0, d.lot_id, d.source_lot_id FROM lot_input d WHERE d.workshop_id = @ws AND d.replaced_by IS NULL AND d.change_id <> @change`, `SELECT l.code FROM material_lot l WHERE l.workshop_id = $1 AND l.id = $2`)
}

// tell counts, and reads the first faults in order.
func (i *importing) tell(ctx context.Context) error {
	for _, f := range feeds() {
		if i.staged[f.name] == 0 && i.refused[f.name] == 0 {
			continue
		}
		c := TableCount{Table: f.name}
		if i.staged[f.name] > 0 {
			bad := fmt.Sprintf(`(SELECT DISTINCT f.row FROM import_fault f WHERE f.tab = '%s' AND f.row > 0)`, f.name)
			if err := i.QueryRow(ctx, fmt.Sprintf(`SELECT count(*) FILTER (WHERE n.row IS NULL AND b.row IS NULL AND NOT s.bad), count(*) FILTER (WHERE n.col <> '' AND b.row IS NULL), count(*) FILTER (WHERE n.col = '' AND b.row IS NULL), count(*) FILTER (WHERE b.row IS NOT NULL AND NOT s.bad)
				FROM in_%s s LEFT JOIN known_%s n ON n.row = s.row LEFT JOIN %s b ON b.row = s.row WHERE s.row > 0`, f.name, f.name, bad)).Scan(&c.New, &c.Changed, &c.Same, &c.Refused); err != nil {
				return err
			}
		}
		if i.book.entered { // what the tables have in common with the folder came in with it
			c.New, c.Same = c.New+c.Same, 0
		}
		c.Refused += i.refused[f.name]
		i.report.Tables = append(i.report.Tables, c)
	}
	if i.book.files.any() {
		c, err := i.bookCount(ctx)
		if err != nil {
			return err
		}
		i.report.Tables = append(i.report.Tables, c)
	}
	var found int64
	if err := i.QueryRow(ctx, `SELECT count(*) FROM import_fault`).Scan(&found); err != nil {
		return err
	}
	rows, err := i.Query(ctx, `SELECT CASE WHEN f.row < 0 THEN 'batches' ELSE f.tab END || '.csv', abs(f.row), f.col, f.words FROM import_fault f ORDER BY 1, 2, 3, 4 LIMIT $1`, MostFaults)
	if err != nil {
		return err
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[interchange.Fault])
	if err != nil {
		return err
	}
	i.report.More += found - int64(len(list))
	i.report.Faults = append(i.report.Faults, list...)
	slices.SortStableFunc(i.report.Faults, interchange.Compare)
	if over := len(i.report.Faults) - MostFaults; over > 0 {
		i.report.More += int64(over)
		i.report.Faults = i.report.Faults[:MostFaults]
	}
	return nil
}

// workshopFile takes the workshop's own row: an empty workshop becomes the one of the file, another must be it.
func (i *importing) workshopFile(ctx context.Context, src ImportSource, name string) error {
	rows, faults, err := readAll(src, name, "workshop", 2)
	if err != nil {
		return err
	}
	i.report.Faults = append(i.report.Faults, faults...)
	wrong := func(row int, column, words string) {
		i.report.Faults = append(i.report.Faults, interchange.Fault{File: "workshop.csv", Row: row, Column: column, Words: words})
	}
	switch {
	case len(faults) > 0 || len(rows) == 0:
		i.refused["workshop"] = int64(len(faults))
		return nil
	case len(rows) > 1:
		wrong(rows[1].Number, "code", "there is one workshop in a file, and one row")
		return nil
	}
	row := rows[0].Number
	want := i.workshop
	want.Code, want.Name, want.Zone, want.CodePattern = rows[0].Values[0], rows[0].Values[1], rows[0].Values[2], rows[0].Values[3]
	var zone fault.Fields
	checkZone(&zone, want.Zone)
	if zone.Err() != nil {
		wrong(row, "zone", fmt.Sprintf("%q is no time zone of the IANA list, such as Europe/Dublin", want.Zone))
	}
	if _, err := batchcode.ParsePattern(want.CodePattern); err != nil {
		wrong(row, "code_pattern", err.Error())
	}
	if len(i.report.Faults) > 0 {
		return nil
	}
	i.zone = want.Zone
	count := TableCount{Table: "workshop"}
	empty, err := i.emptyWorkshop(ctx)
	if err != nil {
		return err
	}
	column, had := "", ""
	for _, c := range []struct{ column, is, want string }{{"code", i.workshop.Code, want.Code}, {"name", i.workshop.Name, want.Name}, {"zone", i.workshop.Zone, want.Zone}, {"code_pattern", i.workshop.CodePattern, want.CodePattern}} {
		if c.is != c.want && column == "" {
			column, had = c.column, c.is
		}
	}
	switch {
	case column == "":
		count.Same = 1
	case column == "code" && !empty:
		wrong(row, "code", fmt.Sprintf("this is workshop %q, and it is not empty; the file is of another", i.workshop.Code))
	case !empty && !i.options.Update:
		wrong(row, column, fmt.Sprintf("the book has %q; it is changed only where the import is told to change what is there", had))
	default:
		count.Changed = 1
		if empty {
			count.New, count.Changed = 1, 0
		}
		_, err = i.Exec(ctx, `UPDATE workshop SET code = $2, name = $3, zone = $4, code_pattern = $5, named = true WHERE id = $1`, i.who.Workshop, want.Code, want.Name, want.Zone, want.CodePattern)
		if constraint(err) == "workshop_code_key" {
			return fault.New(fault.Conflict, fmt.Sprintf("Another workshop of this database has the code %q.", want.Code))
		}
		if err == nil {
			_, err = i.Exec(ctx, `INSERT INTO code_pattern (workshop_id, pattern) VALUES ($1, $2) ON CONFLICT DO NOTHING`, i.who.Workshop, want.CodePattern)
		}
		if err != nil {
			return err
		}
	}
	i.report.Tables = append(i.report.Tables, count)
	return nil
}

// emptyWorkshop tells whether nothing that an import brings is in the book yet.
func (i *importing) emptyWorkshop(ctx context.Context) (empty bool, err error) {
	err = i.QueryRow(ctx, `SELECT NOT EXISTS (SELECT FROM supplier WHERE workshop_id = $1) AND NOT EXISTS (SELECT FROM customer WHERE workshop_id = $1) AND NOT EXISTS (SELECT FROM material WHERE workshop_id = $1)
		AND NOT EXISTS (SELECT FROM product WHERE workshop_id = $1) AND NOT EXISTS (SELECT FROM formula WHERE workshop_id = $1) AND NOT EXISTS (SELECT FROM batch WHERE workshop_id = $1)
		AND NOT EXISTS (SELECT FROM climate_reading WHERE workshop_id = $1) AND NOT EXISTS (SELECT FROM equipment WHERE workshop_id = $1)`, i.who.Workshop).Scan(&empty)
	return empty, err
}
