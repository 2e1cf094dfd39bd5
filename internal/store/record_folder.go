package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/trace"
)

// FolderPaper is a paper in the inspection folder of a batch: of the batch itself, where Lot is empty, or of a lot.
type FolderPaper struct {
	Document
	Lot      string // code
	Material string // name
}

// Folder is what an inspection folder is written from, in one snapshot, so that its parts agree.
type Folder struct {
	Record   record.Source
	Papers   []FolderPaper // by lot, in the order in which they came in
	Log      []LogEntry
	Forward  TraceForward
	Backward TraceBackward
}

// Folder reads a batch, by its code or that of one of its packings: its record, where it went and what it was made of, what
// of the log belongs to it, and which papers there are. The bytes of those are read with FolderFiles.
func (s *Store) Folder(ctx context.Context, workshop WorkshopID, code, by string, now time.Time) (Folder, error) {
	var f Folder
	l := recorder{workshop: workshop, out: record.Source{Now: now, By: by}}
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, batch, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		return together(ctx, t,
			func(t pgx.Tx) error { return l.load(ctx, t, id) },
			func(t pgx.Tx) (err error) {
				f.Papers, err = folderPapers(ctx, t, workshop, id)
				return err
			},
			func(t pgx.Tx) (err error) {
				f.Log, err = logExtract(ctx, t, workshop, id)
				return err
			},
			func(t pgx.Tx) (err error) {
				f.Forward, err = forward(ctx, t, workshop, trace.Origin{Kind: "batch", Code: batch}, node{"batch", id})
				return err
			},
			func(t pgx.Tx) (err error) {
				f.Backward, err = traceSources(ctx, t, workshop, id, batch)
				return err
			})
	})
	if err != nil {
		return Folder{}, fmt.Errorf("store: folder of %q: %w", code, err)
	}
	f.Record = l.out
	return f, nil
}

// RecordPage is Record, and how many papers the folder would hold.
func (s *Store) RecordPage(ctx context.Context, workshop WorkshopID, code, by string, now time.Time) (source record.Source, papers int, err error) {
	l := recorder{workshop: workshop, out: record.Source{Now: now, By: by}}
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		return together(ctx, t, func(t pgx.Tx) error { return l.load(ctx, t, id) }, func(t pgx.Tx) error {
			list, err := folderPapers(ctx, t, workshop, id)
			papers = len(list)
			return err
		})
	})
	if err != nil {
		return record.Source{}, 0, fmt.Errorf("store: record of %q: %w", code, err)
	}
	return l.out, papers, nil
}

// folderPapers lists the papers of a batch, of its packaging and of every lot behind it, through every level.
func folderPapers(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID) ([]FolderPaper, error) {
	origins, err := withPackings(ctx, t, workshop, id)
	if err != nil {
		return nil, err
	}
	set, err := reach(ctx, t, workshop, reachBackward, origins...)
	if err != nil {
		return nil, err
	}
	rows, err := t.Query(ctx, `SELECT d.id, d.kind, d.name, d.media_type, d.size, d.sha256, coalesce(l.code, ''), coalesce(m.name, '') FROM document d
		LEFT JOIN material_lot l ON l.workshop_id = d.workshop_id AND l.id = d.lot_id LEFT JOIN material m ON m.workshop_id = l.workshop_id AND m.id = l.material_id
		WHERE d.workshop_id = $1 AND (d.batch_id = $2 OR d.lot_id = ANY ($3::uuid[])) ORDER BY l.code NULLS FIRST, d.id`, workshop, id, set["lot"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (FolderPaper, error) {
		var p FolderPaper
		err := row.Scan(&p.ID, &p.Kind, &p.Name, &p.MediaType, &p.Size, &p.SHA256, &p.Lot, &p.Material)
		return p, err
	})
}

// withPackings are a batch and its packings.
func withPackings(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID) ([]node, error) {
	rows, err := t.Query(ctx, `SELECT id FROM packing WHERE workshop_id = $1 AND batch_id = $2`, workshop, id)
	if err != nil {
		return nil, err
	}
	packings, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
	origins := []node{{"batch", id}}
	for _, p := range packings {
		origins = append(origins, node{"packing", p})
	}
	return origins, err
}

// FolderFiles reads the bytes of papers, one paper after the other in the order given, as they come from the database: begin
// opens a paper, and write takes the next piece of it.
func (s *Store) FolderFiles(ctx context.Context, workshop WorkshopID, papers []FolderPaper, begin func(FolderPaper) error, write func([]byte) error) error {
	ids := make([]DocumentID, len(papers))
	for i, p := range papers {
		ids[i] = p.ID
	}
	if len(ids) == 0 {
		return nil
	}
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT o.n - 1, c.data FROM unnest($2::uuid[]) WITH ORDINALITY o (id, n) CROSS JOIN LATERAL (
				SELECT d.n, d.data FROM document_chunk d WHERE d.workshop_id = $1 AND d.document_id = o.id OFFSET 0) c ORDER BY o.n, c.n`, workshop, ids)
		if err != nil {
			return err
		}
		next, at := 0, 0
		var data []byte
		if _, err := pgx.ForEachRow(rows, []any{&at, &data}, func() error {
			if at > next {
				return errNoBytes
			}
			if at == next {
				if err := begin(papers[at]); err != nil {
					return err
				}
				next++
			}
			return write(data)
		}); err != nil {
			return err
		}
		if next < len(papers) {
			return errNoBytes
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("store: files of a folder: %w", err)
	}
	return nil
}

var errNoBytes = errors.New("a paper has no bytes")
