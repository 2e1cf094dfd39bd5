-- When the last backup was made, for the owners to see.
-- +goose Up
CREATE TABLE backup_note (
  workshop_id     uuid PRIMARY KEY REFERENCES workshop (id),
  made_at         timestamptz NOT NULL
);
COMMENT ON TABLE backup_note IS 'When the last backup of the database that holds the workshop was made. No record: it says nothing about the work.';
SELECT house_table('backup_note', 'SELECT');

-- +goose Down
-- Records are never migrated away: restore a backup instead.
SELECT 1;
