-- A maker's own spreadsheet: kept until somebody said what its columns are, and what was said, for the next one.
-- +goose Up
ALTER TABLE import_job ADD COLUMN sheet jsonb;
ALTER TABLE import_job ADD COLUMN made_from uuid;
ALTER TABLE import_job ADD COLUMN origin jsonb;
ALTER TABLE import_job ADD CONSTRAINT import_job_made_from_fkey FOREIGN KEY (workshop_id, made_from) REFERENCES import_job (workshop_id, id) DEFERRABLE INITIALLY DEFERRED;
ALTER TABLE import_job ADD CONSTRAINT import_job_origin_made CHECK ((made_from IS NULL) = (origin IS NULL));
COMMENT ON COLUMN import_job.sheet IS 'A spreadsheet with headings of its own, and how it is read: its sheet, the row of the headings, what divides columns. Never imported as it is: a table is made from it.';
COMMENT ON COLUMN import_job.made_from IS 'The spreadsheet that this table was made from, whose rows have the same numbers.';
COMMENT ON COLUMN import_job.origin IS 'What the spreadsheet calls the table''s columns, and the spreadsheet''s SHA-256: faults and the reason of the change speak of what the maker has.';
CREATE INDEX import_job_made_from ON import_job (workshop_id, made_from) WHERE made_from IS NOT NULL;

CREATE TABLE import_mapping (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  table_name      text NOT NULL CHECK (table_name ~ '^[a-z_]+$'),
  headings_key    bytea NOT NULL CHECK (length(headings_key) = 32),
  choices         jsonb NOT NULL,
  used_by         uuid NOT NULL,
  used_at         timestamptz NOT NULL DEFAULT clock_timestamp(),
  PRIMARY KEY (workshop_id, table_name, headings_key),
  CONSTRAINT import_mapping_used_by_fkey FOREIGN KEY (workshop_id, used_by) REFERENCES person (workshop_id, id)
);
COMMENT ON TABLE import_mapping IS 'What was said the last time about the columns of a spreadsheet, offered for the next with the same headings. No record: it only fills in a form.';
COMMENT ON COLUMN import_mapping.headings_key IS 'SHA-256 of the set of headings, folded, in whatever order.';
COMMENT ON COLUMN import_mapping.choices IS 'By heading: the column of the table, how dates and numbers are written, what words stand for; and values for all rows.';
COMMENT ON COLUMN import_mapping.used_at IS 'When a table was last made so.';

SELECT house_table('import_mapping', 'SELECT, INSERT, UPDATE');

-- +goose Down
SELECT 1;
