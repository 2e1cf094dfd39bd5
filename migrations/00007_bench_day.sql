-- The whole bench day: tubs, sets, reprocessing, codes on units, samples, crates, equipment and its log,
-- reconciliation by stage, and what the workshop shows its figures in.
-- +goose Up

-- Rows written before a column came have no key for it in the trail; an empty value says no more than that. So the
-- columns that this and later migrations add to a record are empty until somebody fills them.
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION record_drift(ws uuid) RETURNS TABLE (table_name text, row_id text, problem text)
LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = public, pg_temp SET timezone = 'UTC' SET bytea_output = 'hex' AS $$
DECLARE
  t record;
  args text[];
BEGIN
  FOR t IN SELECT c.relname, g.tgargs FROM pg_trigger g JOIN pg_class c ON c.oid = g.tgrelid
            WHERE g.tgname = 'audit_insert' AND c.relnamespace = 'public'::regnamespace ORDER BY c.relname LOOP
    args := string_to_array(replace(encode(t.tgargs, 'escape'), '\000', '|'), '|');
    RETURN QUERY EXECUTE format(
      'SELECT %L::text, coalesce(a.row_id, r.row_id),
              CASE WHEN a.row_id IS NULL THEN ''the row is not in the trail'' WHEN r.row_id IS NULL THEN ''the row is gone''
                   ELSE ''the row is not what the trail last recorded'' END
         FROM (SELECT DISTINCT ON (x.row_id) x.row_id, x.new FROM audit x WHERE x.workshop_id = $1 AND x.table_name = %L ORDER BY x.row_id, x.n DESC) a
         FULL JOIN (SELECT (to_jsonb(y) ->> ''id'') AS row_id, audit_image(to_jsonb(y), $2, $3) AS image FROM %I y WHERE y.workshop_id = $1) r ON r.row_id = a.row_id
        WHERE a.row_id IS NULL OR r.row_id IS NULL OR (a.new <> r.image AND jsonb_strip_nulls(a.new) <> jsonb_strip_nulls(r.image))
        ORDER BY 2', t.relname, t.relname, t.relname)
      USING ws, string_to_array(args[1], ','), string_to_array(args[2], ',');
  END LOOP;
END $$;
-- +goose StatementEnd

-- What the workshop shows its figures in. Stored values do not change with it.
ALTER TABLE workshop
  ADD COLUMN mass_unit  text NOT NULL DEFAULT 'g' CHECK (mass_unit IN ('g', 'oz')),
  ADD COLUMN temp_unit  text NOT NULL DEFAULT 'C' CHECK (temp_unit IN ('C', 'F')),
  ADD COLUMN date_style text NOT NULL DEFAULT 'dmy' CHECK (date_style IN ('dmy', 'mdy', 'iso'));
COMMENT ON COLUMN workshop.mass_unit IS 'g: pages show g and kg; oz: ounces and pounds (avoirdupois). The book keeps g.';
COMMENT ON COLUMN workshop.temp_unit IS 'C or F on pages; the book keeps degrees Celsius.';
COMMENT ON COLUMN workshop.date_style IS 'dmy: 14 Mar 2026; mdy: Mar 14, 2026; iso: 2026-03-14. On labels and pages; the book keeps dates.';
DROP TRIGGER audit_update ON workshop;
CREATE TRIGGER audit_update AFTER UPDATE ON workshop REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
  FOR EACH STATEMENT EXECUTE FUNCTION audit_rows('', '', 'name,zone,code_pattern,soon_days,readability_g,min_load_g,named,is_demo,mass_unit,temp_unit,date_style');

-- The look-up box finds the new things too.
ALTER TABLE search_key DROP CONSTRAINT search_key_kind_check;
ALTER TABLE search_key ADD CONSTRAINT search_key_kind_check
  CHECK (kind IN ('batch', 'packing', 'lot', 'supplier_lot', 'material', 'product', 'formula', 'customer', 'supplier', 'dispatch', 'equipment', 'crate'));
ALTER TABLE deviation DROP CONSTRAINT deviation_kind_check;
ALTER TABLE deviation ADD CONSTRAINT deviation_kind_check
  CHECK (kind IN ('weight', 'lot', 'control', 'climate', 'cure', 'step', 'addition', 'yield', 'date', 'dispatch', 'late', 'other', 'packaging', 'label', 'equipment', 'sample', 'rework'));

-- Lots: how the amount was written on the delivery, and tubs.
ALTER TABLE material_lot ADD COLUMN typed text CHECK (length(typed) BETWEEN 1 AND 80);
ALTER TABLE material_lot ADD COLUMN tub text CHECK (length(tub) BETWEEN 1 AND 80);
ALTER TABLE material_lot ADD COLUMN washed_on date;
COMMENT ON COLUMN material_lot.typed IS 'The amount as written on the delivery, where it was in another unit: "5 lb", "2.5 l".';
COMMENT ON COLUMN material_lot.tub IS 'For a lot that stands in a tub filled from other lots: what the maker calls the tub.';
COMMENT ON COLUMN material_lot.washed_on IS 'The tub was emptied and washed: what is filled in after that is another lot.';
CREATE UNIQUE INDEX material_lot_one_tub ON material_lot (workshop_id, lower(tub)) WHERE tub IS NOT NULL AND washed_on IS NULL;

CREATE TABLE lot_retest (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  lot_id          uuid NOT NULL,
  done_on         date NOT NULL,
  passed          boolean NOT NULL,
  words           text NOT NULL CHECK (length(words) BETWEEN 1 AND 1000),
  next_on         date,
  was_on          date,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT lot_retest_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT lot_retest_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES lot_retest (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT lot_retest_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE lot_retest IS 'A lot looked at again on or after its retest date: result, and when it is due next.';
COMMENT ON COLUMN lot_retest.was_on IS 'The lot''s retest date before this look, which stands again where the entry is withdrawn.';
COMMENT ON COLUMN lot_retest.replaced_by IS 'The retest that corrects this one; its own id where it was withdrawn.';
CREATE INDEX lot_retest_by_lot ON lot_retest (workshop_id, lot_id);

-- Sets: a product put together from units of other products.
ALTER TABLE product ADD COLUMN letters text CHECK (letters ~ '^[A-Z]{1,4}$');
COMMENT ON COLUMN product.letters IS 'For a set: the letters of its batch codes, as a formula owns those of what is made.';
CREATE UNIQUE INDEX product_letters_key ON product (workshop_id, letters) WHERE letters IS NOT NULL;

CREATE TABLE product_part (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  product_id      uuid NOT NULL,
  part_id         uuid NOT NULL,
  per_unit        integer NOT NULL CHECK (per_unit > 0),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT product_part_not_itself CHECK (product_id <> part_id),
  CONSTRAINT product_part_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES product (workshop_id, id),
  CONSTRAINT product_part_part_fkey FOREIGN KEY (workshop_id, part_id) REFERENCES product (workshop_id, id),
  CONSTRAINT product_part_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES product_part (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT product_part_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE product_part IS 'What one set holds: so many units of another product.';
COMMENT ON COLUMN product_part.replaced_by IS 'The row that replaces this one; its own id where it was taken off.';
CREATE UNIQUE INDEX product_part_once ON product_part (workshop_id, product_id, part_id) WHERE replaced_by IS NULL;

ALTER TABLE batch ADD COLUMN kind text CHECK (kind IN ('set'));
COMMENT ON COLUMN batch.kind IS 'set: put together from units of other batches, without a formula. Empty for what is made.';
ALTER TABLE batch DROP CONSTRAINT batch_bench_has_formula;
ALTER TABLE batch ADD CONSTRAINT batch_bench_has_formula
  CHECK (origin <> 'bench' OR (made_by IS NOT NULL AND CASE WHEN kind = 'set' THEN formula_id IS NULL AND product_id IS NOT NULL ELSE formula_id IS NOT NULL AND version_id IS NOT NULL END));

-- Reprocessing: signed before rejects or left-over go into a later batch.
CREATE TABLE rework (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  formula_id      uuid NOT NULL,
  what            text NOT NULL CHECK (what IN ('rejects', 'left_over')),
  grams           numeric NOT NULL CHECK (grams > 0),
  reason          text NOT NULL CHECK (length(reason) BETWEEN 1 AND 1000),
  signature_id    uuid NOT NULL,
  withdrawn_at    timestamptz,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT rework_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT rework_formula_fkey FOREIGN KEY (workshop_id, formula_id) REFERENCES formula (workshop_id, id),
  CONSTRAINT rework_signature_fkey FOREIGN KEY (workshop_id, signature_id) REFERENCES signature (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT rework_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE rework IS 'Leave, signed for, to draw so much rejected or left-over product of a batch into a later batch of a formula.';
CREATE INDEX rework_by_batch ON rework (workshop_id, batch_id);
ALTER TABLE batch_input ADD COLUMN rework_id uuid;
ALTER TABLE batch_input ADD CONSTRAINT batch_input_rework_fkey FOREIGN KEY (workshop_id, rework_id) REFERENCES rework (workshop_id, id);
COMMENT ON COLUMN batch_input.rework_id IS 'The leave under which rejects or left-over were drawn; empty where nobody had signed one.';
CREATE INDEX batch_input_by_rework ON batch_input (workshop_id, rework_id) WHERE rework_id IS NOT NULL;

-- Bulk that leaves a pot other than into a batch.
CREATE TABLE bulk_move (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  moved_on        date NOT NULL,
  grams           numeric NOT NULL CHECK (grams <> 0),
  reason          text NOT NULL CHECK (reason IN ('thrown_away', 'count')),
  more_than_recorded boolean NOT NULL DEFAULT false,
  note            text NOT NULL CHECK (length(note) BETWEEN 1 AND 1000),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT bulk_move_leaving CHECK (grams < 0 OR reason = 'count'),
  CONSTRAINT bulk_move_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT bulk_move_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES bulk_move (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT bulk_move_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE bulk_move IS 'Bulk thrown away, or weighed again: signed g. What other batches drew are their inputs. A ledger row.';
COMMENT ON COLUMN bulk_move.more_than_recorded IS 'Booked by an entry that drew more than the book held.';
COMMENT ON COLUMN bulk_move.replaced_by IS 'Its own id where the entry was taken back.';
CREATE INDEX bulk_move_by_batch ON bulk_move (workshop_id, batch_id) WHERE replaced_by IS NULL;

-- Codes on units: which other packings a code on a unit leads to.
COMMENT ON TABLE code_near IS 'For each code on a unit its folded key and every one-character deletion of it: a mistyped code shares one with it. What the code leads to is looked up by its key: batches, packings and unit_code.';
COMMENT ON COLUMN code_near.batch_id IS 'The batch for which the code was first made findable; a code on units of several leads to all of them.';
CREATE TABLE unit_code (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  code_key        text COLLATE "C" NOT NULL CHECK (code_key <> ''),
  packing_id      uuid NOT NULL,
  kind            text NOT NULL CHECK (kind IN ('mix_up', 'relabelled', 'misprint')),
  units           integer CHECK (units > 0),
  reason          text NOT NULL CHECK (length(reason) BETWEEN 1 AND 1000),
  noted_on        date NOT NULL,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT unit_code_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT unit_code_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES unit_code (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT unit_code_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE unit_code IS 'Units of a packing that bear another code than its own: a mix-up of labels, a relabelling, a misprint.';
COMMENT ON COLUMN unit_code.code IS 'What stands on the units; it may be the code of another packing.';
COMMENT ON COLUMN unit_code.units IS 'How many, empty where nobody knows.';
COMMENT ON COLUMN unit_code.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX unit_code_by_key ON unit_code (workshop_id, code_key) WHERE replaced_by IS NULL;
CREATE INDEX unit_code_by_packing ON unit_code (workshop_id, packing_id) WHERE replaced_by IS NULL;

-- Retained samples.
CREATE TABLE sample (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  packing_id      uuid NOT NULL,
  units           integer NOT NULL CHECK (units > 0),
  place           text NOT NULL CHECK (length(place) BETWEEN 1 AND 80),
  taken_on        date NOT NULL,
  keep_until      date,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  ended_on        date,
  ended_note      text CHECK (length(ended_note) BETWEEN 1 AND 1000),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT sample_ended CHECK ((ended_on IS NULL) = (ended_note IS NULL)),
  CONSTRAINT sample_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT sample_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES sample (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT sample_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE sample IS 'Where units kept back from a packing lie, and how long they are kept.';
COMMENT ON COLUMN sample.units IS 'Of the packing''s units_retained, never of those for sale.';
COMMENT ON COLUMN sample.replaced_by IS 'The row that corrects this one; its own id where it was withdrawn.';
CREATE INDEX sample_by_packing ON sample (workshop_id, packing_id);
CREATE INDEX sample_by_keep_until ON sample (workshop_id, keep_until) WHERE ended_on IS NULL AND replaced_by IS NULL;

CREATE TABLE sample_check (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  sample_id       uuid NOT NULL,
  looked_on       date NOT NULL,
  result          text NOT NULL CHECK (result IN ('as_made', 'changed', 'spoiled')),
  words           text NOT NULL DEFAULT '' CHECK (length(words) <= 1000),
  units_used      integer NOT NULL DEFAULT 0 CHECK (units_used >= 0),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT sample_check_sample_fkey FOREIGN KEY (workshop_id, sample_id) REFERENCES sample (workshop_id, id),
  CONSTRAINT sample_check_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES sample_check (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT sample_check_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE sample_check IS 'A retained sample inspected later: how it is, and how many units were used up by it.';
COMMENT ON COLUMN sample_check.replaced_by IS 'The inspection that corrects this one; its own id where it was withdrawn.';
CREATE INDEX sample_check_by_sample ON sample_check (workshop_id, sample_id);

-- A crate for a fair: a list while it is packed, a dispatch once it leaves, returns and moves once it is back.
CREATE TABLE crate (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  customer_id     uuid NOT NULL,
  event_on        date NOT NULL,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  status          text NOT NULL CHECK (status IN ('packing', 'away', 'back', 'dropped')),
  dispatch_id     uuid,
  back_on         date,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT crate_code_key UNIQUE (workshop_id, code),
  CONSTRAINT crate_away CHECK (status IN ('packing', 'dropped') OR dispatch_id IS NOT NULL),
  CONSTRAINT crate_back CHECK ((status = 'back') = (back_on IS NOT NULL)),
  CONSTRAINT crate_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT crate_dispatch_fkey FOREIGN KEY (workshop_id, dispatch_id) REFERENCES dispatch (workshop_id, id),
  CONSTRAINT crate_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE crate IS 'Units packed for an event: listed with their codes, sent as one dispatch, counted back in one form.';
CREATE INDEX crate_by_day ON crate (workshop_id, event_on, id);
CREATE INDEX crate_open ON crate (workshop_id, status) WHERE status IN ('packing', 'away');

CREATE TABLE crate_line (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  crate_id        uuid NOT NULL,
  packing_id      uuid NOT NULL,
  units           integer NOT NULL CHECK (units > 0),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT crate_line_crate_fkey FOREIGN KEY (workshop_id, crate_id) REFERENCES crate (workshop_id, id),
  CONSTRAINT crate_line_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT crate_line_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES crate_line (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT crate_line_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE crate_line IS 'Units of one packing in a crate, as packed. The ledger rows are those of its dispatch, returns and moves.';
COMMENT ON COLUMN crate_line.replaced_by IS 'The line that replaces this one; its own id where it was taken out.';
CREATE UNIQUE INDEX crate_line_once ON crate_line (workshop_id, crate_id, packing_id) WHERE replaced_by IS NULL;

-- Equipment and the workshop's log.
CREATE TABLE equipment (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  kind            text NOT NULL CHECK (kind IN ('scale', 'vessel', 'mould', 'dehumidifier', 'thermometer', 'other')),
  place           text NOT NULL DEFAULT '' CHECK (length(place) <= 80),
  readability_g   numeric CHECK (readability_g > 0),
  min_load_g      numeric CHECK (min_load_g >= 0),
  max_load_g      numeric CHECK (max_load_g > 0),
  check_days      integer CHECK (check_days BETWEEN 1 AND 3660),
  clean_before_use boolean NOT NULL DEFAULT false,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  retired_at      timestamptz,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT equipment_code_key UNIQUE (workshop_id, code),
  CONSTRAINT equipment_scale CHECK (kind <> 'scale' OR readability_g IS NOT NULL),
  CONSTRAINT equipment_load CHECK (min_load_g IS NULL OR max_load_g IS NULL OR min_load_g < max_load_g),
  CONSTRAINT equipment_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE equipment IS 'A scale, vessel, mould, dehumidifier or thermometer that a batch names.';
COMMENT ON COLUMN equipment.readability_g IS 'For a scale: its smallest step in g.';
COMMENT ON COLUMN equipment.min_load_g IS 'For a scale: below this it is not trusted; empty where not stated.';
COMMENT ON COLUMN equipment.check_days IS 'Its check is due so many days after the last one; empty where none is kept.';
COMMENT ON COLUMN equipment.clean_before_use IS 'The bench asks that it is clean before a batch uses it.';

CREATE TABLE log_entry (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  kind            text NOT NULL CHECK (kind IN ('cleaning', 'check', 'maintenance', 'pest', 'water', 'training', 'other')),
  equipment_id    uuid,
  about           text NOT NULL DEFAULT '' CHECK (length(about) <= 200),
  happened_at     timestamptz NOT NULL,
  result          text NOT NULL CHECK (result IN ('fine', 'attention', 'failed')),
  words           text NOT NULL DEFAULT '' CHECK (length(words) <= 1000),
  reference_g     numeric CHECK (reference_g > 0),
  shown_g         numeric,
  tolerance_g     numeric CHECK (tolerance_g >= 0),
  next_on         date,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT log_entry_mass CHECK ((reference_g IS NULL) = (shown_g IS NULL) AND (reference_g IS NULL) = (tolerance_g IS NULL)),
  CONSTRAINT log_entry_about CHECK (equipment_id IS NOT NULL OR about <> ''),
  CONSTRAINT log_entry_equipment_fkey FOREIGN KEY (workshop_id, equipment_id) REFERENCES equipment (workshop_id, id),
  CONSTRAINT log_entry_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES log_entry (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT log_entry_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE log_entry IS 'The workshop''s log: cleaning, checks of equipment, pests, water, training. Who is in its change.';
COMMENT ON COLUMN log_entry.about IS 'What or who it was about where it is no equipment: "Bench and sink", "Mains tap", a name.';
COMMENT ON COLUMN log_entry.reference_g IS 'For the check of a scale: the mass put on it, in g; shown_g is what it showed.';
COMMENT ON COLUMN log_entry.tolerance_g IS 'How far off it might be and still pass, as the form stated it.';
COMMENT ON COLUMN log_entry.next_on IS 'When the same is due next: the last day on which this entry still holds.';
COMMENT ON COLUMN log_entry.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX log_entry_by_time ON log_entry (workshop_id, happened_at, id);
CREATE INDEX log_entry_by_equipment ON log_entry (workshop_id, equipment_id, happened_at) WHERE equipment_id IS NOT NULL;
CREATE INDEX log_entry_by_about ON log_entry (workshop_id, kind, about, happened_at) WHERE equipment_id IS NULL;
CREATE INDEX log_entry_due ON log_entry (workshop_id, next_on) WHERE next_on IS NOT NULL AND replaced_by IS NULL;

CREATE TABLE batch_equipment (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  packing_id      uuid,
  equipment_id    uuid NOT NULL,
  was_clean       boolean,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  happened_at     timestamptz NOT NULL,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT batch_equipment_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT batch_equipment_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT batch_equipment_equipment_fkey FOREIGN KEY (workshop_id, equipment_id) REFERENCES equipment (workshop_id, id),
  CONSTRAINT batch_equipment_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES batch_equipment (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT batch_equipment_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE batch_equipment IS 'Equipment that a batch, or one packing of it, used.';
COMMENT ON COLUMN batch_equipment.was_clean IS 'Looked at and clean before use; empty where nobody was asked.';
COMMENT ON COLUMN batch_equipment.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX batch_equipment_by_batch ON batch_equipment (workshop_id, batch_id);
CREATE INDEX batch_equipment_by_equipment ON batch_equipment (workshop_id, equipment_id, happened_at);

ALTER TABLE batch_input ADD COLUMN scale_id uuid;
ALTER TABLE batch_input ADD CONSTRAINT batch_input_scale_fkey FOREIGN KEY (workshop_id, scale_id) REFERENCES equipment (workshop_id, id);
CREATE INDEX batch_input_by_scale ON batch_input (workshop_id, scale_id, happened_at) WHERE scale_id IS NOT NULL;
COMMENT ON COLUMN batch_input.scale_id IS 'The scale it was weighed on; empty where the workshop keeps none in its book.';

-- Reconciliation: mass at each stage, packaging and labels handed out and brought back.
CREATE TABLE stage_mass (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  batch_id        uuid NOT NULL,
  stage           text NOT NULL CHECK (stage IN ('cut', 'cure_end', 'packing')),
  units           integer NOT NULL CHECK (units > 0),
  grams           numeric NOT NULL CHECK (grams > 0),
  typed           text NOT NULL DEFAULT '' CHECK (length(typed) <= 200),
  happened_at     timestamptz NOT NULL,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT stage_mass_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT stage_mass_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES stage_mass (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT stage_mass_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE stage_mass IS 'So many units weighed together at a stage: their mean is the mean weight of that stage.';
COMMENT ON COLUMN stage_mass.replaced_by IS 'The weighing that corrects this one; its own id where it was withdrawn.';
CREATE INDEX stage_mass_by_batch ON stage_mass (workshop_id, batch_id);

ALTER TABLE packing_input ADD COLUMN issued numeric CHECK (issued >= 0);
ALTER TABLE packing_input ADD COLUMN returned numeric CHECK (returned >= 0);
COMMENT ON COLUMN packing_input.issued IS 'Taken to the packing table, in the material''s unit; empty where it was not counted.';
COMMENT ON COLUMN packing_input.returned IS 'Put back on the shelf. issued - returned - quantity is not accounted for.';
ALTER TABLE packing ADD COLUMN labels_issued integer CHECK (labels_issued >= 0);
ALTER TABLE packing ADD COLUMN labels_spoiled integer CHECK (labels_spoiled >= 0);
ALTER TABLE packing ADD COLUMN labels_returned integer CHECK (labels_returned >= 0);
ALTER TABLE packing ADD COLUMN packaging_note text CHECK (length(packaging_note) BETWEEN 1 AND 1000);
COMMENT ON COLUMN packing.packaging_note IS 'Why packaging or labels do not add up, as explained before release.';
ALTER TABLE packing ADD COLUMN takes jsonb;
COMMENT ON COLUMN packing.takes IS 'What a unit took of each packaging material when it was packed: [{"material": id, "per_unit": "1"}]. The product may change later; empty for packings written before this was kept.';
ALTER TABLE material ADD COLUMN is_label boolean;
COMMENT ON COLUMN material.is_label IS 'Packaging that is a label: what a packing takes of it counts its labels. Empty where nobody was asked.';
ALTER TABLE document DROP CONSTRAINT document_kind_check;
ALTER TABLE document ADD CONSTRAINT document_kind_check CHECK (kind IN ('certificate', 'safety_data_sheet', 'delivery_note', 'label', 'photo', 'lab_result', 'other'));

SELECT record_table('lot_retest', '', '', 'replaced_by');
SELECT record_table('product_part', '', '', 'replaced_by');
SELECT record_table('rework', '', '', '');
SELECT record_table('bulk_move', '', '', 'replaced_by');
SELECT record_table('unit_code', '', '', 'replaced_by');
SELECT record_table('sample', '', '', 'replaced_by');
SELECT record_table('sample_check', '', '', 'replaced_by');
SELECT record_table('crate', '', '', 'status');
SELECT record_table('crate_line', '', '', 'replaced_by');
SELECT record_table('equipment', '', '', 'retired_at');
SELECT record_table('log_entry', '', '', 'replaced_by');
SELECT record_table('batch_equipment', '', '', 'replaced_by');
SELECT record_table('stage_mass', '', '', 'replaced_by');

-- +goose Down
SELECT 1;
