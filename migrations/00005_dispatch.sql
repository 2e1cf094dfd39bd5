-- Customers, dispatches, returns, unit moves and holds: the ledger of units.
-- +goose Up

CREATE TABLE customer (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  kind            text NOT NULL CHECK (kind IN ('stockist', 'online', 'event', 'direct')),
  email           text NOT NULL DEFAULT '',
  phone           text NOT NULL DEFAULT '',
  address         text NOT NULL DEFAULT '',
  personal_key    bytea NOT NULL CHECK (length(personal_key) = 32),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT customer_code_key UNIQUE (workshop_id, code),
  CONSTRAINT customer_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE customer IS 'Who received units: a stockist, an online order''s buyer, an event (buyers not known by name), a direct buyer.';

CREATE TABLE dispatch (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  customer_id     uuid NOT NULL,
  dispatched_on   date NOT NULL,
  late            boolean NOT NULL DEFAULT false,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  origin          text NOT NULL DEFAULT 'bench' CHECK (origin IN ('bench', 'history')),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT dispatch_code_key UNIQUE (workshop_id, code),
  CONSTRAINT dispatch_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT dispatch_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE dispatch IS 'Units sent to one customer on one day.';
COMMENT ON COLUMN dispatch.late IS 'Recorded after the units had left.';
CREATE INDEX dispatch_by_day ON dispatch (workshop_id, dispatched_on, id);
CREATE INDEX dispatch_by_customer ON dispatch (workshop_id, customer_id, dispatched_on);
ALTER TABLE deviation ADD CONSTRAINT deviation_dispatch_fkey FOREIGN KEY (workshop_id, dispatch_id) REFERENCES dispatch (workshop_id, id);

CREATE TABLE dispatch_line (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  dispatch_id     uuid NOT NULL,
  customer_id     uuid NOT NULL,
  packing_id      uuid NOT NULL,
  units           integer NOT NULL CHECK (units > 0),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT dispatch_line_dispatch_fkey FOREIGN KEY (workshop_id, dispatch_id) REFERENCES dispatch (workshop_id, id),
  CONSTRAINT dispatch_line_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT dispatch_line_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT dispatch_line_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES dispatch_line (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT dispatch_line_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE dispatch_line IS 'Units of one packing in a dispatch. A ledger row; the customer stands here too, so that a trace need not read the dispatch.';
COMMENT ON COLUMN dispatch_line.replaced_by IS 'The line that corrects this one; its own id where it was withdrawn.';
CREATE INDEX dispatch_line_by_packing ON dispatch_line (workshop_id, packing_id) INCLUDE (customer_id, dispatch_id, units) WHERE replaced_by IS NULL;
CREATE UNIQUE INDEX dispatch_line_once ON dispatch_line (workshop_id, dispatch_id, packing_id) WHERE replaced_by IS NULL;
CREATE INDEX dispatch_line_by_customer ON dispatch_line (workshop_id, customer_id) WHERE replaced_by IS NULL;
-- For pages that show replaced lines beside what stands; there are few of them, so the indexes are small.
CREATE INDEX dispatch_line_replaced_by_dispatch ON dispatch_line (workshop_id, dispatch_id) WHERE replaced_by IS NOT NULL;
CREATE INDEX dispatch_line_replaced_by_packing ON dispatch_line (workshop_id, packing_id) WHERE replaced_by IS NOT NULL;

CREATE TABLE unit_return (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  dispatch_id     uuid,
  packing_id      uuid NOT NULL,
  returned_on     date NOT NULL,
  units           integer NOT NULL CHECK (units > 0),
  disposition     text NOT NULL CHECK (disposition IN ('restock', 'hold', 'destroy')),
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT unit_return_dispatch_fkey FOREIGN KEY (workshop_id, dispatch_id) REFERENCES dispatch (workshop_id, id),
  CONSTRAINT unit_return_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT unit_return_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES unit_return (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT unit_return_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE unit_return IS 'Units that came back: to stock, on hold, or destroyed. The dispatch may not be known. A ledger row.';
COMMENT ON COLUMN unit_return.replaced_by IS 'The return that corrects this one; its own id where it was withdrawn.';
CREATE UNIQUE INDEX unit_return_code_key ON unit_return (workshop_id, code) WHERE replaced_by IS NULL;
CREATE INDEX unit_return_by_packing ON unit_return (workshop_id, packing_id) WHERE replaced_by IS NULL;
CREATE INDEX unit_return_by_dispatch ON unit_return (workshop_id, dispatch_id) WHERE dispatch_id IS NOT NULL;

CREATE TABLE unit_move (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  code            text COLLATE "C" NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
  packing_id      uuid NOT NULL,
  moved_on        date NOT NULL,
  units           integer NOT NULL CHECK (units <> 0),
  reason          text NOT NULL CHECK (reason IN ('tester', 'broken', 'gift', 'own_use', 'count')),
  more_than_recorded boolean NOT NULL DEFAULT false,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT unit_move_leaving CHECK (units < 0 OR reason = 'count'),
  CONSTRAINT unit_move_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT unit_move_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES unit_move (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT unit_move_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE unit_move IS 'Units leaving or entering without a dispatch: signed number and reason. A ledger row.';
COMMENT ON COLUMN unit_move.more_than_recorded IS 'Booked by a dispatch that had already left with more than the book held.';
COMMENT ON COLUMN unit_move.replaced_by IS 'The move that corrects this one; its own id where it was withdrawn.';
CREATE UNIQUE INDEX unit_move_code_key ON unit_move (workshop_id, code) WHERE replaced_by IS NULL;
CREATE INDEX unit_move_by_packing ON unit_move (workshop_id, packing_id) WHERE replaced_by IS NULL;

CREATE TABLE hold (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  packing_id      uuid NOT NULL,
  return_id       uuid,
  units           integer CHECK (units > 0),
  reason          text NOT NULL CHECK (length(reason) BETWEEN 1 AND 1000),
  placed_at       timestamptz NOT NULL,
  lifted_at       timestamptz,
  lift_reason     text CHECK (length(lift_reason) BETWEEN 1 AND 1000),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT hold_lifted CHECK ((lifted_at IS NULL) = (lift_reason IS NULL)),
  CONSTRAINT hold_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT hold_return_fkey FOREIGN KEY (workshop_id, return_id) REFERENCES unit_return (workshop_id, id),
  CONSTRAINT hold_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE hold IS 'Units that may not leave for now; they stay on hand.';
COMMENT ON COLUMN hold.units IS 'Empty for all units of the packing.';
CREATE INDEX hold_open ON hold (workshop_id, packing_id) WHERE lifted_at IS NULL;

-- Stock is a ledger: what is on hand is the sum of what happened. One row a packing.
CREATE VIEW packing_stock WITH (security_invoker = true) AS
SELECT p.workshop_id, p.id AS packing_id, p.units_good,
       coalesce(d.units, 0)::int AS dispatched,
       coalesce(r.units, 0)::int AS returned,
       coalesce(r.back, 0)::int AS returned_back,
       coalesce(r.destroyed, 0)::int AS destroyed,
       coalesce(u.units, 0)::int AS used,
       coalesce(m.units, 0)::int AS moved,
       (p.units_good - coalesce(d.units, 0) + coalesce(r.back, 0) - coalesce(u.units, 0) + coalesce(m.units, 0))::int AS on_hand,
       CASE WHEN h.whole THEN (p.units_good - coalesce(d.units, 0) + coalesce(r.back, 0) - coalesce(u.units, 0) + coalesce(m.units, 0))::int
            ELSE coalesce(h.units, 0)::int END AS held
  FROM packing p
  CROSS JOIN LATERAL (SELECT sum(l.units) AS units FROM dispatch_line l WHERE l.workshop_id = p.workshop_id AND l.packing_id = p.id AND l.replaced_by IS NULL) d
  CROSS JOIN LATERAL (SELECT sum(x.units) AS units, sum(x.units) FILTER (WHERE x.disposition <> 'destroy') AS back, sum(x.units) FILTER (WHERE x.disposition = 'destroy') AS destroyed
                        FROM unit_return x WHERE x.workshop_id = p.workshop_id AND x.packing_id = p.id AND x.replaced_by IS NULL) r
  CROSS JOIN LATERAL (SELECT sum(i.quantity) AS units FROM batch_input i WHERE i.workshop_id = p.workshop_id AND i.source_batch_id = p.batch_id AND i.source_packing_id = p.id AND i.unit = 'each' AND i.replaced_by IS NULL) u
  CROSS JOIN LATERAL (SELECT sum(v.units) AS units FROM unit_move v WHERE v.workshop_id = p.workshop_id AND v.packing_id = p.id AND v.replaced_by IS NULL) m
  CROSS JOIN LATERAL (SELECT bool_or(k.units IS NULL) AS whole, sum(k.units) AS units FROM hold k WHERE k.workshop_id = p.workshop_id AND k.packing_id = p.id AND k.lifted_at IS NULL) h;
COMMENT ON VIEW packing_stock IS 'Units of a packing: good, dispatched, returned, used, moved, on hand, held. Only current entries count.';
GRANT SELECT ON packing_stock TO stillroom_app;

CREATE VIEW lot_stock WITH (security_invoker = true) AS
SELECT l.workshop_id, l.id AS lot_id,
       l.quantity + coalesce(f.quantity, 0) AS received,
       coalesce(i.quantity, 0) + coalesce(p.quantity, 0) + coalesce(o.quantity, 0) AS drawn,
       coalesce(m.quantity, 0) AS moved,
       l.quantity + coalesce(f.quantity, 0) - coalesce(i.quantity, 0) - coalesce(p.quantity, 0) - coalesce(o.quantity, 0) + coalesce(m.quantity, 0) AS on_hand
  FROM material_lot l
  CROSS JOIN LATERAL (SELECT sum(x.quantity) AS quantity FROM lot_input x WHERE x.workshop_id = l.workshop_id AND x.lot_id = l.id AND x.replaced_by IS NULL) f
  CROSS JOIN LATERAL (SELECT sum(x.quantity) AS quantity FROM lot_input x WHERE x.workshop_id = l.workshop_id AND x.source_lot_id = l.id AND x.replaced_by IS NULL) o
  CROSS JOIN LATERAL (SELECT sum(x.quantity) AS quantity FROM batch_input x
                       WHERE x.workshop_id = l.workshop_id AND x.material_lot_id = l.id AND x.replaced_by IS NULL) i
  CROSS JOIN LATERAL (SELECT sum(x.quantity) AS quantity FROM packing_input x WHERE x.workshop_id = l.workshop_id AND x.material_lot_id = l.id AND x.replaced_by IS NULL) p
  CROSS JOIN LATERAL (SELECT sum(x.quantity) AS quantity FROM stock_move x WHERE x.workshop_id = l.workshop_id AND x.lot_id = l.id AND x.replaced_by IS NULL) m;
COMMENT ON VIEW lot_stock IS 'A lot''s ledger summed, in its material''s unit: received, drawn, moved, on hand. Only current entries count.';
GRANT SELECT ON lot_stock TO stillroom_app;

SELECT record_table('customer', 'name,email,phone,address', '', '');
SELECT record_table('dispatch', '', '', '');
SELECT record_table('dispatch_line', '', '', 'replaced_by');
SELECT record_table('unit_return', '', '', 'replaced_by');
SELECT record_table('unit_move', '', '', 'replaced_by');
SELECT record_table('hold', '', '', '');

-- +goose Down
SELECT 1;
