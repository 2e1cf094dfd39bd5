-- Suppliers, materials and their lots, with the ledger of lots.
-- +goose Up

CREATE TABLE supplier (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  email           text NOT NULL DEFAULT '',
  phone           text NOT NULL DEFAULT '',
  address         text NOT NULL DEFAULT '',
  personal_key    bytea NOT NULL CHECK (length(personal_key) = 32),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT supplier_code_key UNIQUE (workshop_id, code),
  CONSTRAINT supplier_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE supplier IS 'Who delivers lots.';

CREATE TABLE material (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  kind            text NOT NULL CHECK (kind IN ('raw', 'packaging')),
  unit            text NOT NULL CHECK (unit IN ('g', 'ml', 'each')),
  inci_name       text NOT NULL DEFAULT '',
  cas_number      text NOT NULL DEFAULT '',
  density_g_per_ml numeric CHECK (density_g_per_ml > 0),
  tracked         boolean NOT NULL DEFAULT true,
  source_note     text NOT NULL DEFAULT '',
  expiry_counts   boolean NOT NULL DEFAULT true,
  caution         text NOT NULL DEFAULT '',
  retired_at      timestamptz,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT material_code_key UNIQUE (workshop_id, code),
  CONSTRAINT material_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE material IS 'A raw or packaging material, counted in g, ml or each.';
COMMENT ON COLUMN material.tracked IS 'False for water and the like: source_note says where it comes from, and no lots are kept.';
COMMENT ON COLUMN material.expiry_counts IS 'Whether the expiry of its lots caps a product''s best-before; packaging does not.';
COMMENT ON COLUMN material.caution IS 'The usual caution, from the supplier''s safety data sheet, shown where the hand is.';

CREATE TABLE material_lot (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  material_id     uuid NOT NULL,
  supplier_id     uuid,
  supplier_lot    text NOT NULL DEFAULT '' CHECK (length(supplier_lot) <= 80),
  supplier_lot_key text COLLATE "C" NOT NULL DEFAULT '',
  received_on     date NOT NULL,
  expires_on      date,
  retest_on       date,
  quantity        numeric NOT NULL CHECK (quantity >= 0),
  unit_cost       numeric CHECK (unit_cost >= 0),
  delivery_note   text NOT NULL DEFAULT '',
  status          text NOT NULL CHECK (status IN ('quarantined', 'released', 'rejected')),
  recalled        boolean NOT NULL DEFAULT false,
  opened_on       date,
  emptied_on      date,
  origin          text NOT NULL DEFAULT 'bench' CHECK (origin IN ('bench', 'history')),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT material_lot_code_key UNIQUE (workshop_id, code),
  CONSTRAINT material_lot_material_fkey FOREIGN KEY (workshop_id, material_id) REFERENCES material (workshop_id, id),
  CONSTRAINT material_lot_supplier_fkey FOREIGN KEY (workshop_id, supplier_id) REFERENCES supplier (workshop_id, id),
  CONSTRAINT material_lot_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE material_lot IS 'One delivery of one material from one supplier, or a tub filled from lots. The receipt is the quantity of the row.';
COMMENT ON COLUMN material_lot.quantity IS 'Received, in the material''s unit. A tub''s is 0: what it holds came in by lot_input.';
COMMENT ON COLUMN material_lot.supplier_lot_key IS 'The supplier''s lot folded: the same lot may arrive several times.';
COMMENT ON COLUMN material_lot.recalled IS 'In an open recall: unusable whatever its status.';
CREATE INDEX material_lot_by_material ON material_lot (workshop_id, material_id, received_on);
CREATE INDEX material_lot_by_supplier_lot ON material_lot (workshop_id, supplier_lot_key) WHERE supplier_lot_key <> '';
CREATE INDEX material_lot_by_supplier ON material_lot (workshop_id, supplier_id, received_on, code) WHERE supplier_id IS NOT NULL;
CREATE INDEX material_lot_by_expiry ON material_lot (workshop_id, expires_on) WHERE expires_on IS NOT NULL;

ALTER TABLE document ADD CONSTRAINT document_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES material_lot (workshop_id, id);
CREATE INDEX document_by_lot ON document (workshop_id, lot_id) WHERE lot_id IS NOT NULL;

CREATE TABLE lot_input (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  lot_id          uuid NOT NULL,
  source_lot_id   uuid NOT NULL,
  quantity        numeric NOT NULL CHECK (quantity > 0),
  happened_on     date NOT NULL,
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT lot_input_not_itself CHECK (lot_id <> source_lot_id),
  CONSTRAINT lot_input_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT lot_input_source_fkey FOREIGN KEY (workshop_id, source_lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT lot_input_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES lot_input (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT lot_input_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE lot_input IS 'A tub filled or topped up from a lot.';
COMMENT ON COLUMN lot_input.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn. Current values read WHERE replaced_by IS NULL.';
CREATE INDEX lot_input_by_lot ON lot_input (workshop_id, lot_id);
CREATE INDEX lot_input_by_source ON lot_input (workshop_id, source_lot_id);

CREATE TABLE stock_move (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  lot_id          uuid NOT NULL,
  moved_on        date NOT NULL,
  quantity        numeric NOT NULL CHECK (quantity <> 0),
  reason          text NOT NULL CHECK (reason IN ('adjust', 'write_off')),
  more_than_recorded boolean NOT NULL DEFAULT false,
  note            text NOT NULL DEFAULT '',
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT stock_move_code_key UNIQUE (workshop_id, code),
  CONSTRAINT stock_move_write_off CHECK (reason <> 'write_off' OR quantity < 0),
  CONSTRAINT stock_move_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT stock_move_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES stock_move (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT stock_move_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE stock_move IS 'A lot counted, adjusted or written off: signed quantity in the material''s unit.';
COMMENT ON COLUMN stock_move.more_than_recorded IS 'Booked by an entry that drew more than the book held: the oil in the bowl is in the bowl.';
COMMENT ON COLUMN stock_move.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX stock_move_by_lot ON stock_move (workshop_id, lot_id);

SELECT record_table('supplier', 'email,phone,address', '', '');
SELECT record_table('material', '', '', 'retired_at');
SELECT record_table('material_lot', '', '', 'status,recalled,opened_on,emptied_on');
SELECT record_table('lot_input', '', '', 'replaced_by');
SELECT record_table('stock_move', '', '', 'replaced_by');

-- +goose Down
SELECT 1;
