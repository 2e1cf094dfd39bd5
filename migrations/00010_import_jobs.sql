-- An import that was begun on a page: its file, how far it is, and what it found. It goes on when the tab is closed.
-- +goose Up
CREATE TABLE import_job (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  made_by         uuid NOT NULL,
  made_at         timestamptz NOT NULL DEFAULT clock_timestamp(),
  file_name       text NOT NULL CHECK (length(file_name) BETWEEN 1 AND 200),
  size            bigint NOT NULL CHECK (size > 0),
  sha256          bytea NOT NULL CHECK (length(sha256) = 32),
  zipped          boolean NOT NULL,
  table_name      text NOT NULL DEFAULT '' CHECK (table_name ~ '^[a-z_]*$'),
  update_changed  boolean NOT NULL,
  state           text NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'previewing', 'previewed', 'applying', 'applied', 'failed', 'dropped')),
  run             uuid,
  progress_table  text NOT NULL DEFAULT '' CHECK (progress_table ~ '^[a-z_]*$'),
  progress_rows   bigint NOT NULL DEFAULT 0,
  beat_at         timestamptz,
  report          jsonb,
  faults          bigint NOT NULL DEFAULT 0 CHECK (faults >= 0),
  words           text NOT NULL DEFAULT '',
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT import_job_made_by_fkey FOREIGN KEY (workshop_id, made_by) REFERENCES person (workshop_id, id),
  CONSTRAINT import_job_run_beats CHECK (state NOT IN ('previewing', 'applying') OR (run IS NOT NULL AND beat_at IS NOT NULL))
);
COMMENT ON TABLE import_job IS 'A file to import, looked through before anything is saved. No record: the import itself is the change, with the file''s name and SHA-256 as its reason.';
COMMENT ON COLUMN import_job.id IS 'The entry key of the form that sent the file, so that it is kept once.';
COMMENT ON COLUMN import_job.zipped IS 'A zip of tables; else one table.';
COMMENT ON COLUMN import_job.table_name IS 'Of one table: which. Empty for a zip, and until somebody said so.';
COMMENT ON COLUMN import_job.update_changed IS 'Rows that are there with other values are changed; else they are faults.';
COMMENT ON COLUMN import_job.run IS 'Who works on it: taken anew by whoever takes the job, so that one that was thought dead writes nothing over the next.';
COMMENT ON COLUMN import_job.beat_at IS 'When the run was last heard of; one that is silent for a minute broke off.';
COMMENT ON COLUMN import_job.report IS 'What was found, counted by table, with the first faults.';
COMMENT ON COLUMN import_job.faults IS 'How many there are in all: one is enough that nothing is saved.';
COMMENT ON COLUMN import_job.words IS 'Why it failed, in words.';
CREATE INDEX import_job_by_time ON import_job (workshop_id, made_at);

CREATE TABLE import_chunk (
  workshop_id     uuid NOT NULL,
  job_id          uuid NOT NULL,
  n               integer NOT NULL,
  data            bytea NOT NULL,
  PRIMARY KEY (workshop_id, job_id, n),
  CONSTRAINT import_chunk_fkey FOREIGN KEY (workshop_id, job_id) REFERENCES import_job (workshop_id, id)
);
COMMENT ON TABLE import_chunk IS 'The bytes of a file to import in pieces of at most 256 KiB, until it was applied or dropped or is a day old.';

SELECT house_table('import_job', 'SELECT, INSERT, UPDATE');
SELECT house_table('import_chunk', 'SELECT, INSERT, DELETE');

-- +goose Down
-- Records are never migrated away: restore a backup instead.
SELECT 1;
