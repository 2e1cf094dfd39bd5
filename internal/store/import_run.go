package store

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

// ImportRun is the right to work on a file, held by one at a time.
type ImportRun struct {
	who   Who
	job   ImportJob
	id    uuid.UUID
	apply bool
}

// LookThrough takes a file to look it through, which saves nothing: for the first time, again after it failed or broke
// off, or after somebody said which table it is (table, empty leaves that) or that rows may change (update). Of two who
// ask at once one gets it; the other is told.
func (s *Store) LookThrough(ctx context.Context, who Who, id ImportJobID, table string, update bool) (ImportRun, error) {
	if table != "" {
		t, known := interchange.Lookup(table)
		if !known {
			return ImportRun{}, fault.In("table", "Choose which table it is.")
		}
		table = t.Name
	}
	run, err := s.takeImport(ctx, who, id, false, `UPDATE import_job SET state = 'previewing', run = $3, beat_at = clock_timestamp(), progress_table = '', progress_rows = 0, words = '', report = NULL, faults = 0,
			table_name = CASE WHEN zipped OR $4 = '' THEN table_name ELSE $4 END, update_changed = update_changed OR $5
		WHERE workshop_id = $1 AND id = $2 AND sheet IS NULL AND made_at > clock_timestamp() - $6::interval AND (zipped OR table_name <> '' OR $4 <> '')
		  AND (state IN ('waiting', 'failed', 'previewed') OR (state IN ('previewing', 'applying') AND beat_at <= clock_timestamp() - $7::interval))`,
		table, update, importKept, importSilence)
	if err != nil {
		return run, fmt.Errorf("store: look through import %s: %w", Text(id), err)
	}
	return run, nil
}

// ApplyImport takes a file that was looked through without a fault, to save it.
func (s *Store) ApplyImport(ctx context.Context, who Who, id ImportJobID) (ImportRun, error) {
	run, err := s.takeImport(ctx, who, id, true, `UPDATE import_job SET state = 'applying', run = $3, beat_at = clock_timestamp(), progress_table = '', progress_rows = 0, words = ''
		WHERE workshop_id = $1 AND id = $2 AND made_at > clock_timestamp() - $4::interval AND state = 'previewed' AND faults = 0`, importKept)
	if err != nil {
		return run, fmt.Errorf("store: apply import %s: %w", Text(id), err)
	}
	return run, nil
}

func (s *Store) takeImport(ctx context.Context, who Who, id ImportJobID, apply bool, take string, args ...any) (ImportRun, error) {
	run := ImportRun{who: who, id: uuid.Must(uuid.NewV7()), apply: apply}
	err := s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		tag, err := t.Exec(ctx, take, append([]any{who.Workshop, id, run.id}, args...)...)
		if err != nil {
			return err
		}
		if run.job, err = importJob(ctx, t, who.Workshop, id); err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return notTaken(run.job, apply)
		}
		return nil
	})
	return run, err
}

// notTaken says why a file cannot be worked on.
func notTaken(j ImportJob, apply bool) error {
	words := "This import is being worked on already. Wait until it is through."
	switch {
	case j.State == "dropped" || j.Expired && j.State != "applied":
		words = "This import was given up, or its file is older than a day and is no longer kept. Send the file again."
	case j.State == "applied":
		words = "This import is saved already."
	case j.Running():
	case j.Sheet != nil:
		words = "Say first what the columns of the spreadsheet are."
	case j.AsksTable():
		return fault.In("table", "Choose which table it is.")
	case apply && j.State == "previewed":
		words = "There are faults in it, so nothing of it can be saved."
	case apply:
		words = "It has to be looked through before it can be saved."
	}
	return fault.New(fault.Conflict, words)
}

// RunImport does what was taken and notes the end of it, whatever it is. The error is for the log: what a person has to
// know stands with the job. When ctx ends, so does the run, and nothing is saved.
func (s *Store) RunImport(ctx context.Context, run ImportRun) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var at progressNote
	beats := make(chan struct{})
	go func() {
		defer close(beats)
		s.beat(ctx, stop, run, &at)
	}()
	report, err := s.runImport(ctx, run, &at)
	stop()
	<-beats
	// The end is noted also where the program is being ended, so that nobody has to wait to learn it.
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if noted := s.endImport(last, run, report, err); noted != nil {
		err = errors.Join(err, noted)
	}
	if err != nil && fault.As(err) == nil && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("store: import %s: %w", Text(run.job.ID), err)
	}
	return nil
}

// progressNote is how far a run is, told by the import and read by the heartbeat.
type progressNote struct {
	sync.Mutex
	table string
	rows  int64
}

func (p *progressNote) note(table string, rows int64) {
	p.Lock()
	defer p.Unlock()
	p.table, p.rows = table, rows
}

// beat tells once a second that the run lives, over a connection of its own, and ends it where it was given up.
func (s *Store) beat(ctx context.Context, stop func(), run ImportRun, at *progressNote) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		at.Lock()
		table, rows := at.table, at.rows
		at.Unlock()
		err := s.settle(ctx, run.who.Workshop, func(t pgx.Tx) error {
			tag, err := t.Exec(ctx, `UPDATE import_job SET beat_at = clock_timestamp(), progress_table = $4, progress_rows = $5 WHERE workshop_id = $1 AND id = $2 AND run = $3`, run.who.Workshop, run.job.ID, run.id, table, rows)
			if err == nil && tag.RowsAffected() == 0 {
				stop()
			}
			return err
		})
		// A beat that did not get through is made up by the next; the import itself tells when the database is gone.
		_ = err
	}
}

func (s *Store) runImport(ctx context.Context, run ImportRun, at *progressNote) (ImportReport, error) {
	dir, err := os.MkdirTemp("", "stillroom-import-*")
	if err != nil {
		return ImportReport{}, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	// Words about a file that cannot be opened name it, so it is called as it was sent where that is a name at all.
	path := filepath.Join(dir, "file")
	if name := run.job.FileName; filepath.IsLocal(name) && filepath.Base(name) == name && name != "." && len(name) <= 200 {
		path = filepath.Join(dir, name)
	}
	if err := s.importFile(ctx, run, path); err != nil {
		return ImportReport{}, err
	}
	source, done, err := openImportFile(path, run.job)
	if err != nil {
		return ImportReport{}, err
	}
	defer func() { _ = done() }()
	return s.Import(ctx, run.who, source, ImportOptions{Update: run.job.Update, Preview: !run.apply, Progress: at.note})
}

// importFile writes the stored bytes to a file of the system.
func (s *Store) importFile(ctx context.Context, run ImportRun, path string) error {
	file, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	var size int64
	err = s.read(ctx, run.who.Workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT data FROM import_chunk WHERE workshop_id = $1 AND job_id = $2 ORDER BY n`, run.who.Workshop, run.job.ID)
		if err != nil {
			return err
		}
		var data []byte
		_, err = pgx.ForEachRow(rows, []any{&data}, func() error {
			size += int64(len(data))
			_, err := file.Write(data)
			return err
		})
		return err
	})
	if closed := file.Close(); err == nil {
		err = closed
	}
	if err == nil && size != run.job.Size {
		err = fault.New(fault.Conflict, "The file is no longer kept. Send it again.")
	}
	return err
}

// openImportFile gives the file under the name that it was sent with: the name of the temporary one means nothing to
// whoever reads the reason of the change.
func openImportFile(path string, j ImportJob) (ImportSource, func() error, error) {
	none := func() error { return nil }
	if j.Zipped {
		source, done, err := OpenImportZip(path)
		if err != nil {
			return nil, none, err
		}
		return sentImport{source, j}, done, nil
	}
	source, err := OpenImportTable(path, j.Table, j.FileName)
	if err != nil {
		return nil, none, err
	}
	return sentImport{source, j}, none, nil
}

type sentImport struct {
	ImportSource
	job ImportJob
}

func (s sentImport) Label() string { return s.job.FileName }

// SHA256 is that of the file that was sent: whoever reads the reason of the change has no other.
func (s sentImport) SHA256() string {
	if s.job.Origin != nil {
		return s.job.Origin.SHA256
	}
	return hex.EncodeToString(s.job.SHA256)
}

// endImport notes what came of a run, unless somebody took or gave up the job meanwhile.
func (s *Store) endImport(ctx context.Context, run ImportRun, report ImportReport, failed error) error {
	state, words, faults := "previewed", "", int64(len(report.Faults))+report.More
	if run.apply && (report.Saved || report.Nothing()) {
		state = "applied"
	}
	kept := storable(report)
	if failed != nil {
		state, words, kept, faults = "failed", failureWords(run, failed), nil, 0
	}
	err := s.settle(ctx, run.who.Workshop, func(t pgx.Tx) error {
		if _, err := t.Exec(ctx, `UPDATE import_job SET state = $4, words = $5, report = $6, faults = $7, run = NULL WHERE workshop_id = $1 AND id = $2 AND run = $3`,
			run.who.Workshop, run.job.ID, run.id, state, words, kept, faults); err != nil {
			return err
		}
		return sweepImports(ctx, t, run.who.Workshop)
	})
	if err != nil {
		return fmt.Errorf("store: end of import %s: %w", Text(run.job.ID), err)
	}
	return nil
}

// storable is the report without what no text of the database may hold.
func storable(report ImportReport) *ImportReport {
	for i, f := range report.Faults {
		for _, text := range []*string{&f.File, &f.Column, &f.Words} {
			*text = strings.ReplaceAll(*text, "\x00", "\uFFFD")
		}
		report.Faults[i] = f
	}
	return &report
}

// failureWords says why an import failed and what that means for the book. Where the line broke off in the middle of
// saving nobody knows whether the database had taken it: looking through again shows it.
func failureWords(run ImportRun, err error) string {
	if f := fault.As(err); f != nil {
		return f.Error() + " Nothing was saved."
	}
	if run.apply && (IsDown(err) || errors.Is(err, context.Canceled)) {
		return "It broke off while it was being saved. All of it is saved or nothing: look through it again, and what is there already shows as the same."
	}
	if errors.Is(err, context.Canceled) {
		return "The program was ended meanwhile. Nothing was saved; start it again."
	}
	if IsDown(err) {
		return "The database did not answer. Nothing was saved; start it again in a moment."
	}
	return "Something went wrong. Nothing was saved. If it happens again, look in the program's log for " + Text(run.job.ID) + "."
}
