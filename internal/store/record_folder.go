package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// FolderPaper is a paper in the inspection folder of a batch: of the batch itself, where Lot is empty, or of a lot.
type FolderPaper struct {
	Document
	Lot      string // code
	Material string // name
}

// FolderPapers lists the papers of a batch, of its packaging and of every lot behind it, through every level: by lot, in
// the order in which they came in. The bytes are read one by one with Document.
func (s *Store) FolderPapers(ctx context.Context, workshop WorkshopID, code string) ([]FolderPaper, error) {
	var list []FolderPaper
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		origins := []node{{"batch", id}}
		rows, err := t.Query(ctx, `SELECT id FROM packing WHERE workshop_id = $1 AND batch_id = $2`, workshop, id)
		if err != nil {
			return err
		}
		packings, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
		if err != nil {
			return err
		}
		for _, p := range packings {
			origins = append(origins, node{"packing", p})
		}
		set, err := reach(ctx, t, workshop, reachBackward, origins...)
		if err != nil {
			return err
		}
		rows, err = t.Query(ctx, `SELECT d.id, d.kind, d.name, d.media_type, d.size, d.sha256, coalesce(l.code, ''), coalesce(m.name, '') FROM document d
			LEFT JOIN material_lot l ON l.workshop_id = d.workshop_id AND l.id = d.lot_id LEFT JOIN material m ON m.workshop_id = l.workshop_id AND m.id = l.material_id
			WHERE d.workshop_id = $1 AND (d.batch_id = $2 OR d.lot_id = ANY ($3::uuid[])) ORDER BY l.code NULLS FIRST, d.id`, workshop, id, set["lot"])
		if err != nil {
			return err
		}
		list, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (FolderPaper, error) {
			var p FolderPaper
			err := row.Scan(&p.ID, &p.Kind, &p.Name, &p.MediaType, &p.Size, &p.SHA256, &p.Lot, &p.Material)
			return p, err
		})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: papers of the folder of %q: %w", code, err)
	}
	return list, nil
}
