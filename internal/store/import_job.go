package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

// ImportJobID names a file that was sent to be imported.
type ImportJobID uuid.UUID

// ImportMost is how large a file to import may be where nothing else is said.
const ImportMost = 200 << 20

const (
	// importSilence is after how long without a sign of life a run counts as broken off.
	importSilence = time.Minute
	// importKept is how long a file is kept that was neither applied nor dropped.
	importKept = 24 * time.Hour
)

// ImportJob is a file to import and how far it is. Any copy of the program may work on it, so all of it is in the database.
type ImportJob struct {
	ID           ImportJobID
	MadeBy       string
	MadeAt       time.Time
	FileName     string
	Size         int64
	SHA256       []byte
	Zipped       bool
	Table        string // of one table; empty until somebody said which
	Update       bool
	State        string // waiting, previewing, previewed, applying, applied, failed, dropped
	Silent       bool   // it should be running, and nothing was heard of it for a minute
	Expired      bool   // its file is gone or may go: too old
	ProgressAt   string // the table that is read
	ProgressRows int64
	Report       *ImportReport // nil until it was looked through
	Faults       int64         // all of them, those not in the report as well
	Words        string
	Sheet        *SheetReading // a spreadsheet with headings of its own: a table is made from it
	MadeFrom     *ImportJobID  // the spreadsheet that this table was made from
	Origin       *ImportOrigin // what that one calls things
}

// Running tells whether somebody works on it.
func (j ImportJob) Running() bool {
	return (j.State == "previewing" || j.State == "applying") && !j.Silent
}

// AsksTable tells whether somebody has to say which table it is: the file is not called like one.
func (j ImportJob) AsksTable() bool { return !j.Zipped && j.Table == "" }

// NewImport is a file as it was sent.
type NewImport struct {
	Key      uuid.UUID // of the form
	FileName string
	Table    string // may be empty
	Update   bool
	Most     int64 // bytes; 0 is ImportMost
	Sheet    *SheetReading
	MadeFrom *ImportJobID
	Origin   *ImportOrigin
}

// KeepImport stores a file to be looked through. It is read to a temporary file first, so that a slow line does not hold
// a connection of the database. The same form sent again answers the same job; with another file it is a conflict.
func (s *Store) KeepImport(ctx context.Context, who Who, n NewImport, in io.Reader) (ImportJobID, error) {
	id := ImportJobID(n.Key)
	if n.Most == 0 {
		n.Most = ImportMost
	}
	file, err := os.CreateTemp("", "stillroom-import-*")
	if err != nil {
		return id, fmt.Errorf("store: keep import: %w", err)
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name())
	}()
	sum := sha256.New()
	size, err := io.Copy(io.MultiWriter(file, sum), io.LimitReader(in, n.Most+1))
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	switch {
	case err != nil:
		return id, fmt.Errorf("store: keep import: %w", err)
	case size == 0:
		return id, fault.In("file", "The file is empty. Choose a zip of tables, or one table as CSV.")
	case size > n.Most:
		return id, &fault.Fault{Kind: fault.TooLarge, Fields: []fault.Field{{Name: "file", Message: fmt.Sprintf("The file has more than %s. Nothing was kept of it; send the tables in several files, in the order in which the page lists them.", bytesWords(n.Most))}}}
	}
	var head [4]byte
	if _, err := file.ReadAt(head[:], 0); err != nil && !errors.Is(err, io.EOF) {
		return id, fmt.Errorf("store: keep import: %w", err)
	}
	// Every zip begins so, an empty one too. What only calls itself one is opened as one, which says what is off.
	zipped := string(head[:]) == "PK\x03\x04" || string(head[:]) == "PK\x05\x06" || strings.HasSuffix(strings.ToLower(n.FileName), ".zip")
	if t, known := interchange.Lookup(n.FileName); n.Table == "" && known {
		n.Table = t.Name
	}
	switch {
	case n.Sheet != nil: // a workbook is a zip, and no zip of tables
		zipped = false
	case zipped:
		n.Table = ""
	}
	err = s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		if err := sweepImports(ctx, t, who.Workshop); err != nil {
			return err
		}
		tag, err := t.Exec(ctx, `INSERT INTO import_job (workshop_id, id, made_by, file_name, size, sha256, zipped, table_name, update_changed, sheet, made_from, origin) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
			ON CONFLICT (workshop_id, id) DO NOTHING`, who.Workshop, id, who.Person, n.FileName, size, sum.Sum(nil), zipped, n.Table, n.Update, n.Sheet, n.MadeFrom, n.Origin)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			have, err := importJob(ctx, t, who.Workshop, id)
			if err == nil && string(have.SHA256) != string(sum.Sum(nil)) {
				err = fault.New(fault.Conflict, "This form was sent before with another file. Open the page anew to send this one.")
			}
			return err
		}
		piece := make([]byte, chunkBytes)
		for i := 0; ; i++ {
			got, err := io.ReadFull(file, piece)
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
				return err
			}
			if _, err := t.Exec(ctx, `INSERT INTO import_chunk (workshop_id, job_id, n, data) VALUES ($1, $2, $3, $4)`, who.Workshop, id, i, piece[:got]); err != nil {
				return err
			}
		}
	})
	if err != nil {
		return id, fmt.Errorf("store: keep import of %q: %w", n.FileName, err)
	}
	return id, nil
}

func bytesWords(n int64) string {
	if n < 1<<20 {
		return fmt.Sprintf("%d KB", n>>10)
	}
	return fmt.Sprintf("%d MB", n>>20)
}

// sweepImports lets go of the bytes of what is done with, and of what nobody came back for.
func sweepImports(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	_, err := t.Exec(ctx, `WITH old AS (
			UPDATE import_job SET state = 'dropped', run = NULL
			 WHERE workshop_id = $1 AND made_at <= clock_timestamp() - $2::interval AND (state IN ('waiting', 'previewed', 'failed')
			    OR (state IN ('previewing', 'applying') AND beat_at <= clock_timestamp() - $3::interval)))
		DELETE FROM import_chunk c USING import_job j WHERE c.workshop_id = $1 AND j.workshop_id = $1 AND j.id = c.job_id
		   AND (j.state IN ('applied', 'dropped') OR (j.made_at <= clock_timestamp() - $2::interval AND (j.state NOT IN ('previewing', 'applying') OR j.beat_at <= clock_timestamp() - $3::interval)))`,
		workshop, importKept, importSilence)
	return err
}

const importJobColumns = `j.id, p.name, j.made_at, j.file_name, j.size, j.sha256, j.zipped, j.table_name, j.update_changed, j.state,
	j.state IN ('previewing', 'applying') AND j.beat_at <= clock_timestamp() - interval '1 minute', j.made_at <= clock_timestamp() - interval '1 day',
	j.progress_table, j.progress_rows, j.report, j.faults, j.words, j.sheet, j.made_from, j.origin`

func importJob(ctx context.Context, t pgx.Tx, workshop WorkshopID, id ImportJobID) (ImportJob, error) {
	rows, err := t.Query(ctx, `SELECT `+importJobColumns+` FROM import_job j JOIN person p ON p.workshop_id = $1 AND p.id = j.made_by WHERE j.workshop_id = $1 AND j.id = $2`, workshop, id)
	if err != nil {
		return ImportJob{}, err
	}
	j, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[ImportJob])
	return j, notFound(err, "There is no such import.")
}

// ImportJob is one file and how far it is.
func (s *Store) ImportJob(ctx context.Context, workshop WorkshopID, id ImportJobID) (ImportJob, error) {
	var j ImportJob
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		j, err = importJob(ctx, t, workshop, id)
		return err
	})
	if err != nil {
		return j, fmt.Errorf("store: import %s: %w", Text(id), err)
	}
	return j, nil
}

// ImportJobs are the last ten files, newest first. A spreadsheet from which a table was made is told by that table.
func (s *Store) ImportJobs(ctx context.Context, workshop WorkshopID) ([]ImportJob, error) {
	var list []ImportJob
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT `+importJobColumns+` FROM import_job j JOIN person p ON p.workshop_id = $1 AND p.id = j.made_by WHERE j.workshop_id = $1
			AND NOT EXISTS (SELECT FROM import_job m WHERE m.workshop_id = $1 AND m.made_from = j.id) ORDER BY j.made_at DESC, j.id LIMIT 10`, workshop)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[ImportJob])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: imports: %w", err)
	}
	return list, nil
}

// DropImport gives a file up, also while it is looked through: that run then ends and saves nothing. One that is being
// saved stays.
func (s *Store) DropImport(ctx context.Context, who Who, id ImportJobID) error {
	err := s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		tag, err := t.Exec(ctx, `UPDATE import_job SET state = 'dropped', run = NULL WHERE workshop_id = $1 AND id = $2
			AND state <> 'applied' AND (state <> 'applying' OR beat_at <= clock_timestamp() - $3::interval)`, who.Workshop, id, importSilence)
		if err == nil && tag.RowsAffected() == 0 {
			if _, err = importJob(ctx, t, who.Workshop, id); err == nil {
				err = fault.New(fault.Conflict, "This import is saved, or is being saved at this moment.")
			}
		}
		if err != nil {
			return err
		}
		return sweepImports(ctx, t, who.Workshop)
	})
	if err != nil {
		return fmt.Errorf("store: drop import %s: %w", Text(id), err)
	}
	return nil
}
