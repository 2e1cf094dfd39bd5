-- Batches at the bench, their entries, packings, deviations.
-- +goose Up

CREATE TABLE plan (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  version_id      uuid NOT NULL,
  product_id      uuid,
  units           integer CHECK (units > 0),
  mass_g          numeric NOT NULL CHECK (mass_g > 0),
  planned_on      date NOT NULL,
  place           text NOT NULL DEFAULT '' CHECK (length(place) <= 80),
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  made_by         uuid,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT plan_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES formula_version (workshop_id, id),
  CONSTRAINT plan_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES product (workshop_id, id),
  CONSTRAINT plan_person_fkey FOREIGN KEY (workshop_id, made_by) REFERENCES person (workshop_id, id)
);
COMMENT ON TABLE plan IS 'A batch that is meant, not yet begun: no record, no code. Starting turns it into a batch and removes it.';

CREATE TABLE batch (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 20),
  code_key        text COLLATE "C" NOT NULL CHECK (code_key <> ''),
  origin          text NOT NULL CHECK (origin IN ('bench', 'history')),
  formula_id      uuid,
  version_id      uuid,
  product_id      uuid,
  status          text NOT NULL CHECK (status IN ('making', 'curing', 'packing', 'quarantined', 'released', 'rejected', 'void')),
  planned_units   integer CHECK (planned_units > 0),
  planned_g       numeric CHECK (planned_g > 0),
  made_at         timestamptz NOT NULL,
  made_on         date NOT NULL,
  made_by         uuid,
  late            boolean NOT NULL DEFAULT false,
  place           text NOT NULL DEFAULT '',
  moulded_at      timestamptz,
  moulded_units   integer CHECK (moulded_units >= 0),
  moulded_g       numeric CHECK (moulded_g >= 0),
  cure_started_at timestamptz,
  cure_ended_at   timestamptz,
  packed_at       timestamptz,
  left_over_g     numeric CHECK (left_over_g >= 0),
  loss_g          numeric CHECK (loss_g >= 0),
  yield_note      text NOT NULL DEFAULT '',
  best_before     date,
  bulk_g          numeric CHECK (bulk_g >= 0),
  bulk_released_at timestamptz,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT batch_code_unique UNIQUE (workshop_id, code_key),
  CONSTRAINT batch_bench_has_formula CHECK (origin <> 'bench' OR (formula_id IS NOT NULL AND version_id IS NOT NULL AND made_by IS NOT NULL)),
  CONSTRAINT batch_formula_fkey FOREIGN KEY (workshop_id, formula_id) REFERENCES formula (workshop_id, id),
  CONSTRAINT batch_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES formula_version (workshop_id, id),
  CONSTRAINT batch_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES product (workshop_id, id),
  CONSTRAINT batch_person_fkey FOREIGN KEY (workshop_id, made_by) REFERENCES person (workshop_id, id),
  CONSTRAINT batch_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE batch IS 'One making of one formula version; its number is the batch code.';
COMMENT ON COLUMN batch.code_key IS 'The code folded: case, separators and look-alikes gone. Unique, so that no two codes can be confused.';
COMMENT ON COLUMN batch.origin IS 'bench: recorded here, with formula and people; history: brought in from an older book.';
COMMENT ON COLUMN batch.late IS 'Written up on a later day than it was made.';
COMMENT ON COLUMN batch.bulk_g IS 'For an intermediate: mass ready to be drawn by other batches.';
COMMENT ON COLUMN batch.best_before IS 'For bulk, and for a history batch without packings; units have theirs on the packing.';
CREATE INDEX batch_by_made ON batch (workshop_id, made_on, id);
CREATE INDEX batch_open ON batch (workshop_id, status) WHERE status IN ('making', 'curing', 'packing', 'quarantined');
CREATE INDEX batch_by_formula ON batch (workshop_id, formula_id, made_on);
ALTER TABLE document ADD CONSTRAINT document_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id);
CREATE INDEX document_by_batch ON document (workshop_id, batch_id) WHERE batch_id IS NOT NULL;

CREATE TABLE packing (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  n               integer NOT NULL CHECK (n > 0),
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 20),
  code_key        text COLLATE "C" NOT NULL CHECK (code_key <> ''),
  product_id      uuid NOT NULL,
  packed_on       date NOT NULL,
  packed_at       timestamptz,
  units_good      integer NOT NULL CHECK (units_good >= 0),
  units_retained  integer NOT NULL DEFAULT 0 CHECK (units_retained >= 0),
  best_before     date,
  date_precision  text NOT NULL DEFAULT 'day' CHECK (date_precision IN ('day', 'month')),
  opened_months   integer,
  date_reason     text NOT NULL DEFAULT '',
  printed         text NOT NULL DEFAULT '',
  status          text NOT NULL CHECK (status IN ('quarantined', 'released', 'rejected')),
  cleared         boolean NOT NULL DEFAULT false,
  label_checked   boolean NOT NULL DEFAULT false,
  label_specimen  text NOT NULL DEFAULT '' CHECK (length(label_specimen) <= 2000),
  labels_used     integer CHECK (labels_used >= 0),
  decided_at      timestamptz,
  signature_id    uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT packing_code_unique UNIQUE (workshop_id, code_key),
  CONSTRAINT packing_n_key UNIQUE (workshop_id, batch_id, n),
  CONSTRAINT packing_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT packing_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES product (workshop_id, id),
  CONSTRAINT packing_signature_fkey FOREIGN KEY (workshop_id, signature_id) REFERENCES signature (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT packing_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE packing IS 'Units of one product packed from one batch on one day: its own counts, best-before and release.';
COMMENT ON COLUMN packing.code_key IS 'Folded code. The first packing of a batch has the batch''s own code.';
COMMENT ON COLUMN packing.printed IS 'The date as printed on the label. It never moves by itself.';
COMMENT ON COLUMN packing.date_reason IS 'Which rule decided the date, in words, as it was decided.';
CREATE INDEX packing_by_product ON packing (workshop_id, product_id, packed_on);
CREATE INDEX packing_waiting ON packing (workshop_id, status) WHERE status = 'quarantined';
CREATE INDEX packing_by_best_before ON packing (workshop_id, best_before) WHERE best_before IS NOT NULL;

CREATE TABLE batch_line (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  position        integer NOT NULL,
  portion_id      uuid NOT NULL,
  line_id         uuid NOT NULL,
  planned_g       numeric NOT NULL CHECK (planned_g >= 0),
  target_g        numeric NOT NULL CHECK (target_g >= 0),
  low_g           numeric,
  high_g          numeric,
  finer_scale     boolean NOT NULL DEFAULT false,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT batch_line_position_key UNIQUE (workshop_id, batch_id, position),
  CONSTRAINT batch_line_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT batch_line_portion_fkey FOREIGN KEY (workshop_id, portion_id) REFERENCES portion (workshop_id, id),
  CONSTRAINT batch_line_line_fkey FOREIGN KEY (workshop_id, line_id) REFERENCES portion_line (workshop_id, id),
  CONSTRAINT batch_line_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE batch_line IS 'A formula''s line scaled to this batch, frozen at the start.';
COMMENT ON COLUMN batch_line.target_g IS 'planned_g, unless the rest of a portion was rescaled after a mis-weighing.';

CREATE TABLE batch_input (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  line_id         uuid,
  material_lot_id uuid,
  source_batch_id uuid,
  source_packing_id uuid,
  untracked_material_id uuid,
  inner_line      boolean NOT NULL DEFAULT false,
  quantity        numeric NOT NULL CHECK (quantity >= 0),
  unit            text NOT NULL CHECK (unit IN ('g', 'ml', 'each')),
  weighed_g       numeric CHECK (weighed_g >= 0),
  typed           text NOT NULL DEFAULT '',
  happened_at     timestamptz,
  late            boolean NOT NULL DEFAULT false,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT batch_input_of_one CHECK (num_nonnulls(material_lot_id, source_batch_id, untracked_material_id) = 1 OR (inner_line AND num_nonnulls(material_lot_id, source_batch_id, untracked_material_id) = 0)),
  CONSTRAINT batch_input_not_itself CHECK (batch_id IS DISTINCT FROM source_batch_id),
  CONSTRAINT batch_input_packing_of_batch CHECK (source_packing_id IS NULL OR source_batch_id IS NOT NULL),
  CONSTRAINT batch_input_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT batch_input_line_fkey FOREIGN KEY (workshop_id, line_id) REFERENCES batch_line (workshop_id, id),
  CONSTRAINT batch_input_lot_fkey FOREIGN KEY (workshop_id, material_lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT batch_input_source_fkey FOREIGN KEY (workshop_id, source_batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT batch_input_source_packing_fkey FOREIGN KEY (workshop_id, source_packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT batch_input_untracked_fkey FOREIGN KEY (workshop_id, untracked_material_id) REFERENCES material (workshop_id, id),
  CONSTRAINT batch_input_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES batch_input (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT batch_input_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE batch_input IS 'What went into a batch: from a lot, from another batch (bulk, rejects, left-over, or good units), or untracked. A ledger row.';
COMMENT ON COLUMN batch_input.quantity IS 'In the material''s unit; from a source batch g of bulk, rejects or left-over, or each for good units.';
COMMENT ON COLUMN batch_input.weighed_g IS 'What the scale showed, in g.';
COMMENT ON COLUMN batch_input.typed IS 'The text as it was typed or read.';
COMMENT ON COLUMN batch_input.inner_line IS 'A line that is itself a portion of this batch: its mass was counted where that portion was weighed.';
COMMENT ON COLUMN batch_input.line_id IS 'Empty for an addition that the formula does not have.';
COMMENT ON COLUMN batch_input.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX batch_input_by_batch ON batch_input (workshop_id, batch_id);
CREATE INDEX batch_input_by_lot ON batch_input (workshop_id, material_lot_id) WHERE material_lot_id IS NOT NULL;
CREATE INDEX batch_input_by_source ON batch_input (workshop_id, source_batch_id) WHERE source_batch_id IS NOT NULL;
CREATE INDEX batch_input_by_source_packing ON batch_input (workshop_id, source_packing_id) WHERE source_packing_id IS NOT NULL;

CREATE TABLE step_tick (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  step_id         uuid NOT NULL,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  happened_at     timestamptz NOT NULL,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT step_tick_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT step_tick_step_fkey FOREIGN KEY (workshop_id, step_id) REFERENCES method_step (workshop_id, id),
  CONSTRAINT step_tick_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES step_tick (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT step_tick_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE step_tick IS 'A step of the method done: by whom and when.';
COMMENT ON COLUMN step_tick.replaced_by IS 'Its own id where the tick was a mis-tap.';
CREATE UNIQUE INDEX step_tick_once ON step_tick (workshop_id, batch_id, step_id) WHERE replaced_by IS NULL;

CREATE TABLE control_reading (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  packing_id      uuid,
  control_id      uuid NOT NULL,
  value           numeric NOT NULL,
  typed           text NOT NULL DEFAULT '',
  happened_at     timestamptz NOT NULL,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT control_reading_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT control_reading_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT control_reading_control_fkey FOREIGN KEY (workshop_id, control_id) REFERENCES control (workshop_id, id),
  CONSTRAINT control_reading_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES control_reading (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT control_reading_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE control_reading IS 'One reading of an in-process control; several make a run.';
COMMENT ON COLUMN control_reading.replaced_by IS 'The reading that corrects this one; its own id where it was withdrawn.';
CREATE INDEX control_reading_by_batch ON control_reading (workshop_id, batch_id);

CREATE TABLE batch_climate (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  stage           text NOT NULL CHECK (stage IN ('making', 'cure')),
  temperature_c   numeric NOT NULL CHECK (temperature_c BETWEEN -45 AND 80),
  humidity_pct    numeric NOT NULL CHECK (humidity_pct BETWEEN 0 AND 100),
  taken_at        timestamptz NOT NULL,
  source          text NOT NULL CHECK (source IN ('typed', 'logger', 'history')),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT batch_climate_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT batch_climate_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES batch_climate (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT batch_climate_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE batch_climate IS 'Temperature and humidity of the room at making, and readings noted during the cure.';
COMMENT ON COLUMN batch_climate.replaced_by IS 'The reading that corrects this one; its own id where it was withdrawn.';
CREATE INDEX batch_climate_by_batch ON batch_climate (workshop_id, batch_id);

CREATE TABLE climate_reading (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  place           text COLLATE "C" NOT NULL CHECK (length(place) BETWEEN 1 AND 80),
  taken_at        timestamptz NOT NULL,
  temperature_c   numeric NOT NULL CHECK (temperature_c BETWEEN -45 AND 80),
  humidity_pct    numeric NOT NULL CHECK (humidity_pct BETWEEN 0 AND 100),
  PRIMARY KEY (workshop_id, place, taken_at)
);
COMMENT ON TABLE climate_reading IS 'Readings of a room''s logger; the same reading twice is one row.';

CREATE TABLE cure_weighing (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  grams           numeric NOT NULL CHECK (grams > 0),
  happened_at     timestamptz NOT NULL,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT cure_weighing_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT cure_weighing_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES cure_weighing (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT cure_weighing_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE cure_weighing IS 'The same marked unit weighed again while it cures.';
COMMENT ON COLUMN cure_weighing.replaced_by IS 'The weighing that corrects this one; its own id where it was withdrawn.';
CREATE INDEX cure_weighing_by_batch ON cure_weighing (workshop_id, batch_id);

CREATE TABLE reject (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  packing_id      uuid,
  stage           text NOT NULL CHECK (stage IN ('cut', 'cure_end', 'packing')),
  reason          text NOT NULL DEFAULT '' CHECK (length(reason) <= 200),
  units           integer NOT NULL CHECK (units > 0),
  mass_g          numeric CHECK (mass_g >= 0),
  happened_at     timestamptz,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT reject_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT reject_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT reject_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES reject (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT reject_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE reject IS 'Units that did not pass, by reason and stage.';
COMMENT ON COLUMN reject.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX reject_by_batch ON reject (workshop_id, batch_id);

CREATE TABLE packing_input (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  packing_id      uuid NOT NULL,
  material_lot_id uuid NOT NULL,
  quantity        numeric NOT NULL CHECK (quantity >= 0),
  spoiled         numeric NOT NULL DEFAULT 0 CHECK (spoiled >= 0),
  happened_at     timestamptz,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT packing_input_spoiled CHECK (spoiled <= quantity),
  CONSTRAINT packing_input_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT packing_input_lot_fkey FOREIGN KEY (workshop_id, material_lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT packing_input_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES packing_input (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT packing_input_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE packing_input IS 'Packaging taken from a lot for a packing: used and spoiled together. A ledger row.';
COMMENT ON COLUMN packing_input.quantity IS 'Issued less returned: used + spoiled, in the material''s unit.';
COMMENT ON COLUMN packing_input.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX packing_input_by_packing ON packing_input (workshop_id, packing_id);
CREATE INDEX packing_input_by_lot ON packing_input (workshop_id, material_lot_id);

CREATE TABLE deviation (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  n               integer NOT NULL CHECK (n > 0),
  batch_id        uuid,
  packing_id      uuid,
  lot_id          uuid,
  dispatch_id     uuid,
  about_id        uuid,
  kind            text NOT NULL CHECK (kind IN ('weight', 'lot', 'control', 'climate', 'cure', 'step', 'addition', 'yield', 'date', 'dispatch', 'late', 'other')),
  what            text NOT NULL CHECK (length(what) BETWEEN 1 AND 1000),
  reason          text NOT NULL DEFAULT '' CHECK (length(reason) <= 1000),
  decision        text CHECK (decision IN ('accept', 'reject')),
  decision_note   text CHECK (length(decision_note) <= 1000),
  decided_by      uuid,
  decided_at      timestamptz,
  withdrawn_at    timestamptz,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT deviation_n_key UNIQUE (workshop_id, n),
  CONSTRAINT deviation_of CHECK (num_nonnulls(batch_id, packing_id, lot_id, dispatch_id) >= 1),
  CONSTRAINT deviation_decided CHECK (num_nonnulls(decision, decision_note, decided_by, decided_at) IN (0, 4)),
  CONSTRAINT deviation_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT deviation_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT deviation_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT deviation_person_fkey FOREIGN KEY (workshop_id, decided_by) REFERENCES person (workshop_id, id),
  CONSTRAINT deviation_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE deviation IS 'Anything outside its limits or unlike the formula: what, reason, decision, by whom.';
COMMENT ON COLUMN deviation.about_id IS 'The entry it came from; when that entry is corrected into its limits the deviation is withdrawn.';
COMMENT ON COLUMN deviation.n IS 'Number of the deviation in this workshop.';
CREATE INDEX deviation_by_batch ON deviation (workshop_id, batch_id);
CREATE INDEX deviation_by_packing ON deviation (workshop_id, packing_id);
CREATE INDEX deviation_by_lot ON deviation (workshop_id, lot_id) WHERE lot_id IS NOT NULL;
CREATE INDEX deviation_by_about ON deviation (workshop_id, about_id) WHERE about_id IS NOT NULL;
CREATE INDEX deviation_open ON deviation (workshop_id, n) WHERE decision IS NULL AND withdrawn_at IS NULL;

CREATE TABLE code_near (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  near_key        text COLLATE "C" NOT NULL,
  code            text COLLATE "C" NOT NULL,
  batch_id        uuid NOT NULL,
  PRIMARY KEY (workshop_id, near_key, code),
  CONSTRAINT code_near_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id)
);
COMMENT ON TABLE code_near IS 'For each code on a unit its folded key and every one-character deletion of it: a mistyped code shares one with it.';

SELECT record_table('batch', '', '', 'status');
SELECT record_table('packing', '', '', 'status');
SELECT record_table('batch_line', '', '', '');
SELECT record_table('batch_input', '', '', 'replaced_by');
SELECT record_table('step_tick', '', '', 'replaced_by');
SELECT record_table('control_reading', '', '', 'replaced_by');
SELECT record_table('batch_climate', '', '', 'replaced_by');
SELECT record_table('cure_weighing', '', '', 'replaced_by');
SELECT record_table('reject', '', '', 'replaced_by');
SELECT record_table('packing_input', '', '', 'replaced_by');
SELECT record_table('deviation', '', '', '');
SELECT house_table('plan', 'SELECT, INSERT, UPDATE, DELETE');
SELECT house_table('climate_reading', 'SELECT, INSERT');
SELECT house_table('code_near', 'SELECT, INSERT');

-- +goose Down
SELECT 1;
