package floor

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"unicode"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/batchcode"
)

// Script is an import without its checks: the temporary tables, the COPYs and the INSERT … SELECTs that the store's own
// import sent, and nothing else.
type Script struct {
	steps []step
}

// step is a statement, or a COPY of a file into a temporary table.
type step struct {
	sql  string
	copy string // COPY target with its columns; the data stand in file
	file string
}

var (
	staged = regexp.MustCompile(`(?s)^CREATE TEMP TABLE in_(\w+) \((.*)\) ON COMMIT DROP`)
	seen   = regexp.MustCompile(`^CREATE TEMP TABLE (known_\w+) ON COMMIT DROP AS`)
	named  = regexp.MustCompile(`@(\w+)`)
)

// NewScript takes what an import sent and the folder that it read, and makes the script that puts the same rows into the
// one workshop of another database. The COPY data are written into work, in the text form of COPY, with the keys that
// the import works out while it reads.
func NewScript(ctx context.Context, recorded []Statement, dir, work string, workshop uuid.UUID) (*Script, error) {
	change := uuid.New()
	values := map[string]string{"ws": literal(workshop.String()), "change": literal(change.String()), "update": "false"}
	s := &Script{}
	s.add(fmt.Sprintf(`SELECT set_config('app.workshop_id', %s, true), set_config('app.change_id', %s, true), set_config('work_mem', '64MB', true), set_config('jit', 'off', true), set_config('app.bulk', 'on', true)`, values["ws"], values["change"]))
	s.add(fmt.Sprintf(`INSERT INTO change (workshop_id, id, kind, actor, reason) VALUES (%s, %s, 'create', 'command', 'Load')`, values["ws"], values["change"]))
	for _, st := range recorded {
		sql := strings.TrimSpace(st.SQL)
		switch {
		case staged.MatchString(sql):
			s.add(sql)
			if err := s.stage(staged.FindStringSubmatch(sql), dir, work); err != nil {
				return nil, err
			}
		case seen.MatchString(sql):
			// What the book has already, which is nothing; the statements ask for it.
			s.add(fmt.Sprintf(`CREATE TEMP TABLE %s (row integer, col text, had text) ON COMMIT DROP`, seen.FindStringSubmatch(sql)[1]))
		case strings.HasPrefix(sql, "CREATE TEMP TABLE import_fault"), strings.HasPrefix(sql, "ANALYZE in_"), strings.HasPrefix(sql, "SELECT set_config('enable_nestloop'"):
			s.add(sql)
		case strings.HasPrefix(sql, "INSERT INTO import_fault"):
			// a check
		case strings.HasPrefix(sql, "INSERT INTO "), strings.HasPrefix(sql, "UPDATE in_"):
			if len(st.Args) != 1 {
				continue // the change, the workshop's own row
			}
			args, ok := st.Args[0].(pgx.NamedArgs)
			if !ok {
				continue
			}
			values["zone"] = literal(fmt.Sprint(args["zone"]))
			s.add(named.ReplaceAllStringFunc(sql, func(name string) string { return values[name[1:]] }))
		}
	}
	if len(s.steps) < 20 {
		return nil, errors.New("floor: the import was not recorded")
	}
	return s, ctx.Err()
}

func (s *Script) add(sql string) { s.steps = append(s.steps, step{sql: sql}) }

// stage writes the data of a temporary table and the COPY of it.
func (s *Script) stage(match []string, dir, work string) error {
	in, err := os.Open(filepath.Join(dir, match[1]+".csv"))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer in.Close()
	var columns []string
	for _, declared := range strings.Split(match[2], ", ") {
		name, _, _ := strings.Cut(declared, " ")
		columns = append(columns, name)
	}
	path := filepath.Join(work, match[1]+".copy")
	if err := writeCopy(in, path, columns); err != nil {
		return fmt.Errorf("floor: %s: %w", match[1], err)
	}
	s.steps = append(s.steps, step{copy: fmt.Sprintf("in_%s (%s)", match[1], strings.Join(columns, ", ")), file: path})
	return nil
}

// writeCopy turns a table into COPY's text form: number, fresh ids, soundness, its cells, and its keys.
func writeCopy(in io.Reader, path string, columns []string) error {
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	out := bufio.NewWriterSize(file, 1<<18)
	rows := csv.NewReader(bufio.NewReaderSize(in, 1<<18))
	rows.ReuseRecord = true
	header, err := rows.Read()
	if err != nil {
		return errors.Join(err, file.Close())
	}
	at := map[string]int{}
	for i, name := range header {
		at[name] = i
	}
	escape := strings.NewReplacer("\\", `\\`, "\t", `\t`, "\n", `\n`, "\r", `\r`)
	for number := 2; ; number++ {
		cells, err := rows.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return errors.Join(err, file.Close())
		}
		for i, column := range columns {
			if i > 0 {
				out.WriteByte('\t')
			}
			switch cell, is := at[column]; {
			case is:
				escape.WriteString(out, cells[cell])
			case column == "row":
				fmt.Fprint(out, number)
			case column == "id" || column == "id2":
				out.WriteString(uuid.Must(uuid.NewV7()).String())
			case column == "bad":
				out.WriteByte('f')
			default:
				key, err := keyOf(column, func(name string) string {
					if k, is := at[name]; is {
						return cells[k]
					}
					return ""
				})
				if err != nil {
					return errors.Join(err, file.Close())
				}
				out.WriteString(key)
			}
		}
		out.WriteByte('\n')
	}
	return errors.Join(out.Flush(), file.Close())
}

// keyOf is what the import works out for the look-up box.
func keyOf(column string, value func(string) string) (string, error) {
	code := batchcode.Fold(value("code"))
	switch column {
	case "code_key":
		return code, nil
	case "near":
		return strings.Join(batchcode.Deletions(code), " "), nil
	case "lot_key":
		return plain(value("supplier_lot")), nil
	case "keys":
		keys := append(words(value("name")), words(value("inci_name"))...)
		keys = append(keys, plain(value("code")))
		if value("name") == "" && value("customer") == "" {
			keys = append(keys, plain(code)) // lots, batches and packings
		}
		return strings.Join(keys, " "), nil
	}
	return "", fmt.Errorf("the column %q is not known here", column)
}

func words(name string) []string {
	return strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

func plain(text string) string { return strings.Join(words(text), "") }

// Psql runs the script in one transaction with PostgreSQL's own client.
func (s *Script) Psql(ctx context.Context, psql, url string) error {
	var text strings.Builder
	text.WriteString("\\set ON_ERROR_STOP on\nBEGIN;\n")
	for _, st := range s.steps {
		if st.copy != "" {
			fmt.Fprintf(&text, "\\copy %s FROM %s\n", st.copy, literal(st.file))
			continue
		}
		text.WriteString(st.sql + ";\n")
	}
	text.WriteString("COMMIT;\n")
	run := exec.CommandContext(ctx, psql, "-X", "-q", "-o", os.DevNull, "-d", url)
	run.Stdin = strings.NewReader(text.String())
	if said, err := run.CombinedOutput(); err != nil {
		return fmt.Errorf("floor: psql: %w: %.2000s", err, said)
	}
	return nil
}

// Run does the same over one connection where psql is missing.
func (s *Script) Run(ctx context.Context, db *DB) error {
	conn, err := db.pool.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("floor: %w", err)
	}
	defer conn.Release()
	return pgx.BeginFunc(ctx, conn, func(t pgx.Tx) error {
		for _, st := range s.steps {
			if err := st.run(ctx, t); err != nil {
				return fmt.Errorf("floor: %.80q: %w", st.sql+st.copy, err)
			}
		}
		return nil
	})
}

func (st step) run(ctx context.Context, t pgx.Tx) error {
	if st.copy == "" {
		_, err := t.Conn().PgConn().Exec(ctx, st.sql).ReadAll()
		return err
	}
	file, err := os.Open(st.file)
	if err != nil {
		return err
	}
	defer file.Close()
	_, err = t.Conn().PgConn().CopyFrom(ctx, bufio.NewReaderSize(file, 1<<16), `COPY `+st.copy+` FROM STDIN`)
	return err
}

// counted are the tables that an import fills.
var counted = []string{
	"supplier", "customer", "material", "material_lot", "lot_input", "product", "batch", "batch_climate", "packing", "reject", "batch_input", "packing_input",
	"dispatch", "dispatch_line", "unit_return", "hold", "unit_move", "stock_move", "climate_reading", "code_near", "search_key",
}

// Counts is how many rows a workshop has in each table that an import fills.
func (db *DB) Counts(ctx context.Context, workshop uuid.UUID) (map[string]int64, error) {
	list := []Statement{{`SELECT set_config('app.workshop_id', $1::text, true)`, []any{workshop.String()}}}
	for _, table := range counted {
		list = append(list, Statement{`SELECT count(*) FROM ` + table + ` WHERE workshop_id = $1`, []any{workshop}})
	}
	all, err := db.Batch(ctx, list)
	if err != nil {
		return nil, err
	}
	counts := map[string]int64{}
	for i, table := range counted {
		var n int64
		if _, err := fmt.Sscan(all[i+1][0][0], &n); err != nil {
			return nil, fmt.Errorf("floor: %s: %w", table, err)
		}
		counts[table] = n
	}
	return counts, nil
}
