-- Formulas with their numbered versions, and products. A draft is not a record; an approved version never changes.
-- +goose Up

CREATE TABLE formula (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  letters         text NOT NULL CHECK (letters ~ '^[A-Z]{1,4}$'),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT formula_code_key UNIQUE (workshop_id, code),
  CONSTRAINT formula_letters_key UNIQUE (workshop_id, letters),
  CONSTRAINT formula_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE formula IS 'How something is made, across its numbered versions. Owns the letters of its batch codes.';

CREATE TABLE formula_version (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  formula_id      uuid NOT NULL,
  number          integer NOT NULL CHECK (number > 0),
  status          text NOT NULL CHECK (status IN ('draft', 'approved', 'retired')),
  nominal_g       numeric NOT NULL CHECK (nominal_g > 0),
  tolerance_pct   numeric NOT NULL CHECK (tolerance_pct BETWEEN 0 AND 100),
  tolerance_g     numeric NOT NULL DEFAULT 0 CHECK (tolerance_g >= 0),
  expected_loss_pct numeric NOT NULL DEFAULT 0 CHECK (expected_loss_pct >= 0 AND expected_loss_pct < 100),
  reconciliation_pct numeric NOT NULL CHECK (reconciliation_pct BETWEEN 0 AND 100),
  min_c           numeric,
  max_c           numeric,
  min_rh_pct      numeric CHECK (min_rh_pct BETWEEN 0 AND 100),
  max_rh_pct      numeric CHECK (max_rh_pct BETWEEN 0 AND 100),
  cure_hours      integer NOT NULL DEFAULT 0 CHECK (cure_hours BETWEEN 0 AND 20000),
  cure_word       text NOT NULL DEFAULT 'cure' CHECK (cure_word IN ('cure', 'dry', 'set')),
  yields          text NOT NULL DEFAULT 'units' CHECK (yields IN ('units', 'bulk')),
  bulk_months     integer CHECK (bulk_months BETWEEN 1 AND 600),
  caution         text NOT NULL DEFAULT '',
  note            text NOT NULL DEFAULT '',
  content_hash    bytea CHECK (length(content_hash) = 32),
  approved_by     uuid,
  approved_at     timestamptz,
  change_id       uuid,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT formula_version_number_key UNIQUE (workshop_id, formula_id, number),
  CONSTRAINT formula_version_approved CHECK (status = 'draft' OR (approved_by IS NOT NULL AND approved_at IS NOT NULL AND content_hash IS NOT NULL AND change_id IS NOT NULL)),
  CONSTRAINT formula_version_formula_fkey FOREIGN KEY (workshop_id, formula_id) REFERENCES formula (workshop_id, id),
  CONSTRAINT formula_version_person_fkey FOREIGN KEY (workshop_id, approved_by) REFERENCES person (workshop_id, id),
  CONSTRAINT formula_version_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE formula_version IS 'One numbered version; a draft may be edited, an approved one never is.';
COMMENT ON COLUMN formula_version.nominal_g IS 'The batch mass in g that amounts by weight refer to.';
COMMENT ON COLUMN formula_version.cure_hours IS 'Shortest time between moulding and packing; 0 where nothing has to cure.';
COMMENT ON COLUMN formula_version.yields IS 'bulk: an intermediate that other batches draw from, not packed for sale.';
COMMENT ON COLUMN formula_version.bulk_months IS 'For bulk: months from making until it must be used.';
COMMENT ON COLUMN formula_version.content_hash IS 'SHA-256 of the canonical content at approval; verify computes it anew.';
CREATE UNIQUE INDEX formula_version_one_draft ON formula_version (workshop_id, formula_id) WHERE status = 'draft';

CREATE TABLE portion (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  version_id      uuid NOT NULL,
  position        integer NOT NULL,
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 100),
  basis           text NOT NULL CHECK (basis IN ('share', 'weight', 'inner')),
  amount          numeric NOT NULL DEFAULT 0 CHECK (amount >= 0),
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT portion_position_key UNIQUE (workshop_id, version_id, position) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT portion_version_key UNIQUE (workshop_id, version_id, id),
  CONSTRAINT portion_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES formula_version (workshop_id, id)
);
COMMENT ON TABLE portion IS 'What is weighed and mixed together, such as one colour.';
COMMENT ON COLUMN portion.basis IS 'share: amount is % of the batch; weight: g per nominal batch; inner: used only inside other portions.';

CREATE TABLE portion_line (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  version_id      uuid NOT NULL,
  portion_id      uuid NOT NULL,
  position        integer NOT NULL,
  kind            text NOT NULL CHECK (kind IN ('material', 'portion', 'bulk')),
  material_id     uuid,
  inner_portion_id uuid,
  bulk_formula_id uuid,
  basis           text NOT NULL CHECK (basis IN ('share', 'weight')),
  amount          numeric NOT NULL DEFAULT 0 CHECK (amount >= 0),
  as_needed       boolean NOT NULL DEFAULT false,
  low_g           numeric CHECK (low_g >= 0),
  high_g          numeric CHECK (high_g >= 0),
  max_pct         numeric CHECK (max_pct > 0 AND max_pct <= 100),
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT portion_line_position_key UNIQUE (workshop_id, portion_id, position) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT portion_line_of CHECK ((kind = 'material' AND material_id IS NOT NULL AND inner_portion_id IS NULL AND bulk_formula_id IS NULL)
    OR (kind = 'portion' AND inner_portion_id IS NOT NULL AND material_id IS NULL AND bulk_formula_id IS NULL)
    OR (kind = 'bulk' AND bulk_formula_id IS NOT NULL AND material_id IS NULL AND inner_portion_id IS NULL)),
  CONSTRAINT portion_line_range CHECK (NOT as_needed OR (low_g IS NOT NULL AND high_g IS NOT NULL AND low_g <= high_g)),
  CONSTRAINT portion_line_portion_fkey FOREIGN KEY (workshop_id, version_id, portion_id) REFERENCES portion (workshop_id, version_id, id),
  CONSTRAINT portion_line_inner_fkey FOREIGN KEY (workshop_id, version_id, inner_portion_id) REFERENCES portion (workshop_id, version_id, id),
  CONSTRAINT portion_line_material_fkey FOREIGN KEY (workshop_id, material_id) REFERENCES material (workshop_id, id),
  CONSTRAINT portion_line_bulk_fkey FOREIGN KEY (workshop_id, bulk_formula_id) REFERENCES formula (workshop_id, id)
);
COMMENT ON TABLE portion_line IS 'One ingredient of a portion: a material, a share of another portion, or the bulk of another batch.';
COMMENT ON COLUMN portion_line.amount IS '% of its portion, or g per nominal batch; 0 for an as-needed line.';
COMMENT ON COLUMN portion_line.as_needed IS 'Outside the 100 %: between low_g and high_g per nominal batch, as the mass asks for it.';
COMMENT ON COLUMN portion_line.max_pct IS 'Limit of use in % of the batch; rounding never lifts a target over it.';
CREATE INDEX portion_line_by_version ON portion_line (workshop_id, version_id);

CREATE TABLE method_step (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  version_id      uuid NOT NULL,
  portion_id      uuid,
  position        integer NOT NULL,
  text            text NOT NULL CHECK (length(text) BETWEEN 1 AND 1000),
  caution         text NOT NULL DEFAULT '' CHECK (length(caution) <= 1000),
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT method_step_position_key UNIQUE (workshop_id, version_id, position) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT method_step_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES formula_version (workshop_id, id),
  CONSTRAINT method_step_portion_fkey FOREIGN KEY (workshop_id, version_id, portion_id) REFERENCES portion (workshop_id, version_id, id)
);
COMMENT ON TABLE method_step IS 'A step of the method: after the lines of its portion, or after all portions.';

CREATE TABLE control (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  version_id      uuid NOT NULL,
  position        integer NOT NULL,
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 100),
  stage           text NOT NULL CHECK (stage IN ('making', 'moulding', 'cure_end', 'packing')),
  unit            text NOT NULL DEFAULT '' CHECK (length(unit) <= 20),
  low             numeric,
  high            numeric,
  readings        integer NOT NULL DEFAULT 1 CHECK (readings BETWEEN 1 AND 500),
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT control_position_key UNIQUE (workshop_id, version_id, position) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT control_limits CHECK (low IS NULL OR high IS NULL OR low <= high),
  CONSTRAINT control_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES formula_version (workshop_id, id)
);
COMMENT ON TABLE control IS 'An in-process control: what is measured at which stage, and between which limits.';
COMMENT ON COLUMN control.readings IS 'How many readings are asked for at least; more than one makes a run (fill weights).';

-- A version's parts may change only while it is a draft. The row lock makes approval and editing exclude each other.
-- +goose StatementBegin
CREATE FUNCTION draft_only() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
  part record;
  state text;
BEGIN
  IF TG_OP = 'DELETE' THEN part := OLD; ELSE part := NEW; END IF;
  SELECT v.status INTO state FROM formula_version v WHERE v.workshop_id = part.workshop_id AND v.id = part.version_id FOR SHARE;
  IF state IS DISTINCT FROM 'draft' THEN
    RAISE EXCEPTION 'an approved formula version never changes' USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'formula_version_immutable';
  END IF;
  RETURN part;
END $$;
-- +goose StatementEnd
CREATE TRIGGER portion_draft_only BEFORE INSERT OR UPDATE OR DELETE ON portion FOR EACH ROW EXECUTE FUNCTION draft_only();
CREATE TRIGGER portion_line_draft_only BEFORE INSERT OR UPDATE OR DELETE ON portion_line FOR EACH ROW EXECUTE FUNCTION draft_only();
CREATE TRIGGER method_step_draft_only BEFORE INSERT OR UPDATE OR DELETE ON method_step FOR EACH ROW EXECUTE FUNCTION draft_only();
CREATE TRIGGER control_draft_only BEFORE INSERT OR UPDATE OR DELETE ON control FOR EACH ROW EXECUTE FUNCTION draft_only();
-- +goose StatementBegin
CREATE FUNCTION version_immutable() RETURNS trigger
LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
  IF OLD.status <> 'draft' AND (to_jsonb(OLD) - 'status') IS DISTINCT FROM (to_jsonb(NEW) - 'status')
     OR OLD.status <> 'draft' AND NEW.status = 'draft' THEN
    RAISE EXCEPTION 'an approved formula version never changes' USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'formula_version_immutable';
  END IF;
  RETURN NEW;
END $$;
-- +goose StatementEnd
CREATE TRIGGER formula_version_immutable BEFORE UPDATE ON formula_version FOR EACH ROW EXECUTE FUNCTION version_immutable();
CREATE TABLE product (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  formula_id      uuid,
  net_content_g   numeric CHECK (net_content_g > 0),
  fill_g          numeric CHECK (fill_g > 0),
  shelf_life_months integer CHECK (shelf_life_months BETWEEN 1 AND 600),
  shelf_life_days integer CHECK (shelf_life_days BETWEEN 1 AND 20000),
  shelf_life_from text CHECK (shelf_life_from IN ('made', 'cured', 'packed')),
  cap_by_expiry   boolean NOT NULL DEFAULT true,
  date_precision  text NOT NULL DEFAULT 'day' CHECK (date_precision IN ('day', 'month')),
  opened_months   integer CHECK (opened_months BETWEEN 1 AND 120),
  grade           text NOT NULL DEFAULT '' CHECK (length(grade) <= 40),
  label_text      text NOT NULL DEFAULT '' CHECK (length(label_text) <= 4000),
  retired_at      timestamptz,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT product_code_key UNIQUE (workshop_id, code),
  CONSTRAINT product_formula_fkey FOREIGN KEY (workshop_id, formula_id) REFERENCES formula (workshop_id, id),
  CONSTRAINT product_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE product IS 'What is sold: grade or size, net content, shelf-life rule, packaging per unit, label particulars.';
COMMENT ON COLUMN product.fill_g IS 'Nominal fill at making in g a unit, where drying makes it more than the net content; theoretical units count with it.';
COMMENT ON COLUMN product.opened_months IS 'Period after opening, printed instead of a date where minimum durability is over 30 months.';
CREATE INDEX product_by_formula ON product (workshop_id, formula_id);

CREATE TABLE product_packaging (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  product_id      uuid NOT NULL,
  material_id     uuid NOT NULL,
  per_unit        numeric NOT NULL CHECK (per_unit > 0),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT product_packaging_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES product (workshop_id, id),
  CONSTRAINT product_packaging_material_fkey FOREIGN KEY (workshop_id, material_id) REFERENCES material (workshop_id, id),
  CONSTRAINT product_packaging_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES product_packaging (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT product_packaging_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE product_packaging IS 'Packaging material for one unit of a product.';
COMMENT ON COLUMN product_packaging.replaced_by IS 'The row that replaces this one; its own id where it was taken off.';
CREATE UNIQUE INDEX product_packaging_once ON product_packaging (workshop_id, product_id, material_id) WHERE replaced_by IS NULL;

SELECT record_table('formula', '', '', '');
SELECT record_table('product', '', '', 'retired_at');
SELECT record_table('product_packaging', '', '', 'replaced_by');
SELECT record_table('formula_version', '', '', 'status,nominal_g,tolerance_pct,tolerance_g,expected_loss_pct,reconciliation_pct,min_c,max_c,min_rh_pct,max_rh_pct,cure_hours,cure_word,yields,bulk_months,caution,note');
SELECT house_table('portion', 'SELECT, INSERT, UPDATE, DELETE');
SELECT house_table('portion_line', 'SELECT, INSERT, UPDATE, DELETE');
SELECT house_table('method_step', 'SELECT, INSERT, UPDATE, DELETE');
SELECT house_table('control', 'SELECT, INSERT, UPDATE, DELETE');

-- +goose Down
SELECT 1;
