package store

import (
	"archive/zip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// A backup is a zip: each table as PostgreSQL's COPY writes it (text format), in order of its primary key, and a manifest
// that says what ought to be in it. It is made over the owner's connection alone, so that it needs none of PostgreSQL's own
// programs, and the same file goes into any server.

const (
	backupFormat   = 1
	manifestName   = "manifest.json"
	manifestMost   = 4 << 20 // a manifest has some 20 kB
	tableFolder    = "tables/"
	gooseTable     = "goose_db_version"
	copyBufferSize = 256 << 10
)

// Manifest says what a backup holds.
type Manifest struct {
	Format    int           `json:"format"`
	Program   string        `json:"program"`
	MadeAt    time.Time     `json:"made_at"`
	Schema    int64         `json:"schema"`
	Workshops []BackupChain `json:"workshops"`
	Tables    []BackupTable `json:"tables"`
}

// BackupChain is the head of one workshop's chain at the moment of the backup.
type BackupChain struct {
	Code  string `json:"code"`
	Links int64  `json:"links"`
	Head  string `json:"head"`
}

// BackupTable is one table of a backup.
type BackupTable struct {
	Name    string   `json:"name"`
	Columns []string `json:"columns"`
	Rows    int64    `json:"rows"`
	Bytes   int64    `json:"bytes"`
	SHA256  string   `json:"sha256"`
}

// Rows is how many rows all tables have together.
func (m Manifest) Rows() (n int64) {
	for _, t := range m.Tables {
		n += t.Rows
	}
	return n
}

// catalogueTable is a table as the database describes it.
type catalogueTable struct {
	Name    string
	Columns []string
	Key     []string // columns of the primary key
}

// columnList is columns as SQL names them.
func columnList(columns []string) string {
	quoted := make([]string, len(columns))
	for i, c := range columns {
		quoted[i] = pgx.Identifier{c}.Sanitize()
	}
	return strings.Join(quoted, ", ")
}

func (t catalogueTable) quoted() string { return pgx.Identifier{"public", t.Name}.Sanitize() }

// catalogue lists every table of the book but goose's own, whose content is the schema's version.
func catalogue(ctx context.Context, t pgx.Tx) ([]catalogueTable, error) {
	rows, err := t.Query(ctx, `SELECT c.relname,
			(SELECT array_agg(a.attname::text ORDER BY a.attnum) FROM pg_attribute a WHERE a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''),
			coalesce((SELECT array_agg(a.attname::text ORDER BY k.n) FROM pg_index i CROSS JOIN LATERAL unnest(i.indkey::int2[]) WITH ORDINALITY k (attnum, n)
				JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = k.attnum WHERE i.indrelid = c.oid AND i.indisprimary), '{}')
		FROM pg_class c WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace AND c.relname <> $1 ORDER BY c.relname COLLATE "C"`, gooseTable)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[catalogueTable])
}

// asText fixes, for a transaction, every setting that decides how COPY writes and reads values.
const asText = `SET LOCAL timezone = 'UTC'; SET LOCAL datestyle = 'ISO, YMD'; SET LOCAL intervalstyle = 'postgres'; SET LOCAL bytea_output = 'hex';
	SET LOCAL extra_float_digits = 1; SET LOCAL client_encoding = 'UTF8'; SET LOCAL statement_timeout = 0; SET LOCAL idle_in_transaction_session_timeout = 0`

// Backup writes everything of a database, of all its workshops, as it stands at one moment: records and their trail,
// papers, people with the hashes of their passwords. It asks for no lock, so work goes on meanwhile, and holds no table in
// memory. progress, which may be nil, hears which share of the bytes is written.
func Backup(ctx context.Context, ownerURL string, w io.Writer, program string, now time.Time, progress func(float64)) (Manifest, error) {
	m := Manifest{Format: backupFormat, Program: program, MadeAt: now.UTC().Truncate(time.Second)}
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return m, fmt.Errorf("store: connect: %w", err)
	}
	defer conn.Close(ctx)
	err = pgx.BeginTxFunc(ctx, conn, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(t pgx.Tx) error {
		return writeBackup(ctx, t, w, &m, progress)
	})
	if err != nil {
		return m, fmt.Errorf("store: backup: %w", err)
	}
	return m, nil
}

func writeBackup(ctx context.Context, t pgx.Tx, w io.Writer, m *Manifest, progress func(float64)) error {
	if _, err := t.Exec(ctx, asText); err != nil {
		return err
	}
	if err := t.QueryRow(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&m.Schema); err != nil {
		return err
	}
	var size float64
	if err := t.QueryRow(ctx, `SELECT coalesce(sum(pg_table_size(c.oid)), 0) FROM pg_class c WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace`).Scan(&size); err != nil {
		return err
	}
	var err error
	if m.Workshops, err = chains(ctx, t); err != nil {
		return err
	}
	tables, err := catalogue(ctx, t)
	if err != nil {
		return err
	}
	z := zip.NewWriter(w)
	var done int64
	for _, table := range tables {
		out, err := z.CreateHeader(&zip.FileHeader{Name: tableFolder + table.Name, Method: zip.Deflate, Modified: m.MadeAt})
		if err != nil {
			return err
		}
		sum := &measured{to: out, sum: sha256.New(), wrote: func(n int) {
			if done += int64(n); progress != nil {
				progress(min(float64(done)/max(size, 1), 0.99)) // the size on disk is a guess of the size in the file
			}
		}}
		order := ""
		if len(table.Key) > 0 {
			order = ` ORDER BY ` + columnList(table.Key)
		}
		tag, err := t.Conn().PgConn().CopyTo(ctx, sum, `COPY (SELECT `+columnList(table.Columns)+` FROM `+table.quoted()+order+`) TO STDOUT`)
		if err != nil {
			return fmt.Errorf("table %s: %w", table.Name, err)
		}
		m.Tables = append(m.Tables, BackupTable{Name: table.Name, Columns: table.Columns, Rows: tag.RowsAffected(), Bytes: sum.bytes, SHA256: sum.hex()})
	}
	out, err := z.CreateHeader(&zip.FileHeader{Name: manifestName, Method: zip.Deflate, Modified: m.MadeAt})
	if err != nil {
		return err
	}
	text, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return err
	}
	if _, err := out.Write(append(text, '\n')); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	if progress != nil {
		progress(1)
	}
	return nil
}

// chains are the heads of all chains; a backup's and a restored database's are the same.
func chains(ctx context.Context, t pgx.Tx) ([]BackupChain, error) {
	rows, err := t.Query(ctx, `SELECT w.code, h.n, encode(h.hash, 'hex') FROM workshop w JOIN chain_head h ON h.workshop_id = w.id ORDER BY w.code COLLATE "C"`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[BackupChain])
}

// measured counts and hashes what passes.
type measured struct {
	to    io.Writer
	sum   hash.Hash
	bytes int64
	wrote func(int)
}

func (m *measured) Write(p []byte) (int, error) {
	m.sum.Write(p) // never fails (hash.Hash)
	m.bytes += int64(len(p))
	if m.wrote != nil {
		m.wrote(len(p))
	}
	return m.to.Write(p)
}

func (m *measured) hex() string { return hex.EncodeToString(m.sum.Sum(nil)) }

// ErrBackup says that a file is not a whole backup that this program can restore.
var ErrBackup = errors.New("the backup cannot be used")

// BackupFile is a backup that was read through and found whole.
type BackupFile struct {
	Manifest
	zip *zip.Reader
}

// OpenBackup reads a backup through, so that nothing is begun with one that is broken, cut off, of another program or of
// a newer one.
func OpenBackup(file io.ReaderAt, size int64) (*BackupFile, error) {
	z, err := zip.NewReader(file, size)
	if err != nil {
		return nil, fmt.Errorf("%w: it is no backup of Stillroom's, or was cut off (%v)", ErrBackup, err)
	}
	b := &BackupFile{zip: z}
	if err := b.readManifest(); err != nil {
		return nil, err
	}
	if len(z.File) != len(b.Tables)+1 {
		return nil, fmt.Errorf("%w: it holds %d parts, and its manifest speaks of %d", ErrBackup, len(z.File), len(b.Tables)+1)
	}
	for _, t := range b.Tables {
		if err := b.pour(t, io.Discard); err != nil {
			return nil, err
		}
	}
	return b, nil
}

func (b *BackupFile) readManifest() error {
	i := slices.IndexFunc(b.zip.File, func(f *zip.File) bool { return f.Name == manifestName })
	if i < 0 {
		return fmt.Errorf("%w: it has no manifest, so it is no backup of Stillroom's", ErrBackup)
	}
	in, err := b.zip.File[i].Open()
	if err != nil {
		return fmt.Errorf("%w: its manifest is broken: %v", ErrBackup, err)
	}
	defer in.Close()
	text, err := io.ReadAll(io.LimitReader(in, manifestMost))
	if err == nil {
		err = json.Unmarshal(text, &b.Manifest)
	}
	if err != nil {
		return fmt.Errorf("%w: its manifest is broken: %v", ErrBackup, err)
	}
	switch {
	case b.Format > backupFormat || b.Schema > schemaVersion():
		return fmt.Errorf("%w: a newer Stillroom made it (format %d, schema %d; this program knows up to %d and %d); use the newer program", ErrBackup, b.Format, b.Schema, backupFormat, schemaVersion())
	case b.Format != backupFormat || b.Schema < 1 || len(b.Tables) == 0:
		return fmt.Errorf("%w: its manifest is not one of Stillroom's", ErrBackup)
	}
	return nil
}

// pour writes a table out and holds it to its manifest.
func (b *BackupFile) pour(t BackupTable, w io.Writer) error {
	i := slices.IndexFunc(b.zip.File, func(f *zip.File) bool { return f.Name == tableFolder+t.Name })
	if i < 0 {
		return fmt.Errorf("%w: the table %s is missing", ErrBackup, t.Name)
	}
	in, err := b.zip.File[i].Open()
	if err != nil {
		return fmt.Errorf("%w: the table %s is broken: %v", ErrBackup, t.Name, err)
	}
	defer in.Close()
	sum := &measured{to: w, sum: sha256.New()}
	if _, err := io.CopyBuffer(sum, in, make([]byte, copyBufferSize)); err != nil {
		return fmt.Errorf("%w: the table %s is broken: %v", ErrBackup, t.Name, err)
	}
	if sum.bytes != t.Bytes || sum.hex() != t.SHA256 {
		return fmt.Errorf("%w: the table %s is not what its SHA-256 says", ErrBackup, t.Name)
	}
	return nil
}

// NoteBackup keeps when the last backup was made, for the owners of every workshop of the database to see.
func NoteBackup(ctx context.Context, ownerURL string, madeAt time.Time) error {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("store: connect: %w", err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, `INSERT INTO backup_note (workshop_id, made_at) SELECT id, $1 FROM workshop
		ON CONFLICT (workshop_id) DO UPDATE SET made_at = excluded.made_at`, madeAt); err != nil {
		return fmt.Errorf("store: note of the backup: %w", err)
	}
	return nil
}

// LastBackup is when the last backup was made; zero where none was.
func (s *Store) LastBackup(ctx context.Context, workshop WorkshopID) (time.Time, error) {
	var at time.Time
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		return t.QueryRow(ctx, `SELECT made_at FROM backup_note WHERE workshop_id = $1`, workshop).Scan(&at)
	})
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return time.Time{}, fmt.Errorf("store: last backup: %w", err)
	}
	return at, nil
}
