package store

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
)

// chunkBytes is how much of a file stands in one row.
const chunkBytes = 256 << 10

// DocumentMost is the most a file may have.
const DocumentMost = 10 << 20

// Document is a file kept with a lot, a batch or a complaint.
type Document struct {
	ID        DocumentID
	Kind      string // certificate, safety_data_sheet, delivery_note, label, photo, lab_result, other
	Name      string
	MediaType string
	Size      int
	SHA256    []byte
}

// Upload is a file as it came in, already checked for what it is.
type Upload struct {
	Kind      string
	Name      string
	MediaType string
	Data      []byte
}

func documents(ctx context.Context, t pgx.Tx, workshop WorkshopID, where string, args ...any) ([]Document, error) {
	rows, err := t.Query(ctx, `SELECT d.id, d.kind, d.name, d.media_type, d.size, d.sha256 FROM document d WHERE d.workshop_id = $1 AND `+where+` ORDER BY d.id`, append([]any{workshop}, args...)...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Document])
}

// attach stores a file with what it is of: owner is the column that points to it.
func (t *tx) attach(ctx context.Context, owner string, of [16]byte, u Upload) error {
	if len(u.Data) == 0 || len(u.Data) > DocumentMost {
		return fault.In("file", "A file has between 1 byte and 10 MB.")
	}
	id := newID[DocumentID]()
	sum := sha256.Sum256(u.Data)
	if _, err := t.Exec(ctx, `INSERT INTO document (workshop_id, id, `+owner+`, kind, name, media_type, size, sha256, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		t.who.Workshop, id, of, u.Kind, u.Name, u.MediaType, len(u.Data), sum[:], t.change); err != nil {
		return err
	}
	for n, rest := 0, u.Data; len(rest) > 0; n++ {
		piece := rest[:min(len(rest), chunkBytes)]
		rest = rest[len(piece):]
		if _, err := t.Exec(ctx, `INSERT INTO document_chunk (workshop_id, document_id, n, data) VALUES ($1, $2, $3, $4)`, t.who.Workshop, id, n, piece); err != nil {
			return err
		}
	}
	return nil
}

// AttachToLot adds a paper to a lot.
func (s *Store) AttachToLot(ctx context.Context, who Who, entry Entry, lot string, u Upload) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		l, err := lotByCode(ctx, t, who.Workshop, lot)
		if err != nil {
			return err
		}
		return t.attach(ctx, "lot_id", l.ID, u)
	})
	if err != nil {
		return fmt.Errorf("store: attach to lot %q: %w", lot, err)
	}
	return nil
}

// AttachToBatch adds a paper to a batch, by its code or that of one of its packings: a photo, a result of a laboratory.
func (s *Store) AttachToBatch(ctx context.Context, who Who, entry Entry, batch string, u Upload) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		id, _, err := batchOfCode(ctx, t, who.Workshop, batch)
		if err != nil {
			return err
		}
		return t.attach(ctx, "batch_id", id, u)
	})
	if err != nil {
		return fmt.Errorf("store: attach to batch %q: %w", batch, err)
	}
	return nil
}

// Document reads a file's particulars and writes its bytes.
func (s *Store) Document(ctx context.Context, workshop WorkshopID, id DocumentID, head func(Document) io.Writer) error {
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		list, err := documents(ctx, t, workshop, `d.id = $2`, id)
		if err == nil && len(list) == 0 {
			err = fault.New(fault.NotFound, "There is no such paper.")
		}
		if err != nil {
			return err
		}
		w := head(list[0])
		rows, err := t.Query(ctx, `SELECT data FROM document_chunk WHERE workshop_id = $1 AND document_id = $2 ORDER BY n`, workshop, id)
		if err != nil {
			return err
		}
		var data []byte
		_, err = pgx.ForEachRow(rows, []any{&data}, func() error {
			_, err := w.Write(data)
			return err
		})
		return err
	})
	if err != nil {
		return fmt.Errorf("store: document: %w", err)
	}
	return nil
}
