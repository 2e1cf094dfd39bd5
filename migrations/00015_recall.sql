-- Recalls and drills: where a suspicion starts, the scope as it was frozen, who was told, and what was counted back.
-- +goose Up

CREATE TABLE recall (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  n               integer NOT NULL CHECK (n > 0),
  drill           boolean NOT NULL,
  level           text NOT NULL CHECK (level IN ('consumer', 'stockist', 'stock')),
  title           text NOT NULL CHECK (length(title) BETWEEN 1 AND 200),
  reason          text NOT NULL CHECK (length(reason) BETWEEN 1 AND 2000),
  hazard          text NOT NULL DEFAULT '' CHECK (length(hazard) <= 2000),
  to_do           text NOT NULL DEFAULT '' CHECK (length(to_do) <= 2000),
  remedy          text NOT NULL DEFAULT '' CHECK (length(remedy) <= 2000),
  contact         text NOT NULL DEFAULT '' CHECK (length(contact) <= 1000),
  opened_at       timestamptz NOT NULL,
  opened_on       date NOT NULL,
  target_minutes  integer CHECK (target_minutes BETWEEN 1 AND 100000),
  listed_at       timestamptz,
  closed_at       timestamptz,
  close_note      text CHECK (length(close_note) BETWEEN 1 AND 2000),
  signature_id    uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT recall_n_key UNIQUE (workshop_id, n),
  CONSTRAINT recall_closed CHECK (num_nonnulls(closed_at, close_note, signature_id) IN (0, 3)),
  CONSTRAINT recall_drill_target CHECK (drill OR (target_minutes IS NULL AND listed_at IS NULL)),
  CONSTRAINT recall_signature_fkey FOREIGN KEY (workshop_id, signature_id) REFERENCES signature (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT recall_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE recall IS 'Tracing, blocking, telling and counting back; a drill is the same without blocking and telling.';
COMMENT ON COLUMN recall.n IS 'Number of the recall in this workshop; drills are counted with the recalls.';
COMMENT ON COLUMN recall.level IS 'How far it reaches: back from consumers, from stockists, or stock only.';
COMMENT ON COLUMN recall.hazard IS 'What can happen, for the public notice: plainly, without softening words.';
COMMENT ON COLUMN recall.to_do IS 'What somebody who has such a unit is asked to do.';
COMMENT ON COLUMN recall.remedy IS 'What is offered: repair, replacement, refund.';
COMMENT ON COLUMN recall.contact IS 'Where to turn to.';
COMMENT ON COLUMN recall.target_minutes IS 'A drill''s target from start to full list, as the workshop had set it.';
COMMENT ON COLUMN recall.listed_at IS 'A drill''s list was complete: looked through, and its stock counted.';
CREATE INDEX recall_open ON recall (workshop_id, n) WHERE closed_at IS NULL;

CREATE TABLE recall_origin (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  recall_id       uuid NOT NULL,
  kind            text NOT NULL CHECK (kind IN ('lot', 'supplier_lot', 'batch', 'packing', 'complaint')),
  said            text NOT NULL CHECK (length(said) BETWEEN 1 AND 200),
  lot_id          uuid,
  batch_id        uuid,
  packing_id      uuid,
  complaint_id    uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT recall_origin_of CHECK (num_nonnulls(lot_id, batch_id, packing_id) = 1),
  CONSTRAINT recall_origin_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id),
  CONSTRAINT recall_origin_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT recall_origin_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT recall_origin_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT recall_origin_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE recall_origin IS 'What a recall starts from: a lot, each delivery of a supplier''s lot, packaging, a batch, a packing.';
COMMENT ON COLUMN recall_origin.said IS 'What was asked for, as it was written: a code, or a supplier''s lot with its supplier.';
COMMENT ON COLUMN recall_origin.complaint_id IS 'The complaint that it was opened from; beside the batch or packing that this was about.';
CREATE INDEX recall_origin_by_recall ON recall_origin (workshop_id, recall_id);

CREATE TABLE recall_scope (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  recall_id       uuid NOT NULL,
  lot_id          uuid,
  batch_id        uuid,
  packing_id      uuid,
  units_good      integer,
  units_dispatched integer,
  units_returned  integer,
  units_destroyed integer,
  units_used      integer,
  units_moved     integer,
  units_on_hand   integer,
  added_at        timestamptz NOT NULL,
  counted         integer CHECK (counted >= 0),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT recall_scope_of CHECK (num_nonnulls(lot_id, batch_id, packing_id) = 1),
  CONSTRAINT recall_scope_units CHECK (num_nonnulls(units_good, units_dispatched, units_returned, units_destroyed, units_used, units_moved, units_on_hand) = CASE WHEN packing_id IS NULL THEN 0 ELSE 7 END),
  CONSTRAINT recall_scope_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id),
  CONSTRAINT recall_scope_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES material_lot (workshop_id, id),
  CONSTRAINT recall_scope_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES batch (workshop_id, id),
  CONSTRAINT recall_scope_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT recall_scope_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE recall_scope IS 'What a recall covers, frozen when it was opened: lots and tubs, batches, packings with their ledger as it stood.';
COMMENT ON COLUMN recall_scope.added_at IS 'When it came in: at the opening, or later, where entries made since reach further.';
COMMENT ON COLUMN recall_scope.counted IS 'Units found on the shelf when somebody went and counted them for the recall.';
CREATE UNIQUE INDEX recall_scope_lot ON recall_scope (workshop_id, lot_id, recall_id) WHERE lot_id IS NOT NULL;
CREATE UNIQUE INDEX recall_scope_batch ON recall_scope (workshop_id, batch_id, recall_id) WHERE batch_id IS NOT NULL;
CREATE UNIQUE INDEX recall_scope_packing ON recall_scope (workshop_id, packing_id, recall_id) WHERE packing_id IS NOT NULL;
CREATE INDEX recall_scope_by_recall ON recall_scope (workshop_id, recall_id);

CREATE TABLE recall_line (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  recall_id       uuid NOT NULL,
  line_id         uuid NOT NULL,
  packing_id      uuid NOT NULL,
  customer_id     uuid NOT NULL,
  units           integer NOT NULL CHECK (units > 0),
  returned        integer NOT NULL CHECK (returned >= 0),
  added_at        timestamptz NOT NULL,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT recall_line_once UNIQUE (workshop_id, recall_id, line_id),
  CONSTRAINT recall_line_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id),
  CONSTRAINT recall_line_line_fkey FOREIGN KEY (workshop_id, line_id) REFERENCES dispatch_line (workshop_id, id),
  CONSTRAINT recall_line_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT recall_line_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT recall_line_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE recall_line IS 'The list of a recall as it was frozen: units of a packing in a dispatch, and what of them had come back by then.';
CREATE INDEX recall_line_by_customer ON recall_line (workshop_id, recall_id, customer_id);

CREATE TABLE recall_told (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  recall_id       uuid NOT NULL,
  customer_id     uuid NOT NULL,
  told_at         timestamptz NOT NULL,
  how             text NOT NULL CHECK (how IN ('telephone', 'email', 'letter', 'in_person', 'notice')),
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT recall_told_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id),
  CONSTRAINT recall_told_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT recall_told_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES recall_told (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT recall_told_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE recall_told IS 'A customer was told of a recall: when, how; by whom says the change.';
COMMENT ON COLUMN recall_told.how IS 'notice: a public one, for the buyers of an event, who are not known by name.';
COMMENT ON COLUMN recall_told.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX recall_told_by_customer ON recall_told (workshop_id, recall_id, customer_id) WHERE replaced_by IS NULL;

CREATE TABLE recall_answer (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  recall_id       uuid NOT NULL,
  customer_id     uuid NOT NULL,
  answered_on     date NOT NULL,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT recall_answer_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id),
  CONSTRAINT recall_answer_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT recall_answer_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES recall_answer (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT recall_answer_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE recall_answer IS 'A customer answered; what it said of its units stands in recall_count under the same change.';
COMMENT ON COLUMN recall_answer.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX recall_answer_by_customer ON recall_answer (workshop_id, recall_id, customer_id) WHERE replaced_by IS NULL;

CREATE TABLE recall_count (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  recall_id       uuid NOT NULL,
  customer_id     uuid NOT NULL,
  packing_id      uuid NOT NULL,
  kind            text NOT NULL CHECK (kind IN ('returned', 'destroyed', 'used', 'sold')),
  units           integer NOT NULL CHECK (units > 0),
  counted_on      date NOT NULL,
  return_id       uuid,
  note            text NOT NULL DEFAULT '' CHECK (length(note) <= 1000),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT recall_count_return CHECK ((kind = 'returned') = (return_id IS NOT NULL)),
  CONSTRAINT recall_count_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id),
  CONSTRAINT recall_count_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT recall_count_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT recall_count_return_fkey FOREIGN KEY (workshop_id, return_id) REFERENCES unit_return (workshop_id, id),
  CONSTRAINT recall_count_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES recall_count (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT recall_count_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE recall_count IS 'Units of a packing counted back from a customer: returned here, destroyed there, already used, or sold on.';
COMMENT ON COLUMN recall_count.return_id IS 'The return that brought the units back into the book; stored with it.';
COMMENT ON COLUMN recall_count.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX recall_count_by_customer ON recall_count (workshop_id, recall_id, customer_id) WHERE replaced_by IS NULL;
CREATE UNIQUE INDEX recall_count_by_return ON recall_count (workshop_id, return_id) WHERE return_id IS NOT NULL AND replaced_by IS NULL;

SELECT record_table('recall', '', '', 'hazard,to_do,remedy,contact');
SELECT record_table('recall_origin', '', '', '');
SELECT record_table('recall_scope', '', '', 'counted');
SELECT record_table('recall_line', '', '', '');
SELECT record_table('recall_told', '', '', 'replaced_by');
SELECT record_table('recall_answer', '', '', 'replaced_by');
SELECT record_table('recall_count', '', '', 'replaced_by');

-- The list of a recall: of a line that was corrected, and taken in again since, the latest.
CREATE VIEW recall_list WITH (security_invoker = true) AS
SELECT DISTINCT ON (l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id) l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id, l.customer_id, l.units, l.returned, l.added_at, e.replaced_by IS NOT NULL AS gone
  FROM recall_line l JOIN dispatch_line e ON e.workshop_id = l.workshop_id AND e.id = l.line_id
 ORDER BY l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id, l.added_at DESC, l.id DESC;
COMMENT ON VIEW recall_list IS 'The frozen list of a recall, one row for each dispatch and packing: units, what had come back by then, and whether the dispatch''s line was corrected or withdrawn since.';
GRANT SELECT ON recall_list TO stillroom_app;

-- Blocking. A lot has its flag already; a batch gets one, and a hold says which recall placed it.
ALTER TABLE batch ADD COLUMN recalled boolean;
COMMENT ON COLUMN batch.recalled IS 'In a recall: its bulk may not be drawn, what is packed of it is held at once. Empty is no.';
ALTER TABLE hold ADD COLUMN recall_id uuid;
ALTER TABLE hold ADD CONSTRAINT hold_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id);
ALTER TABLE hold ADD CONSTRAINT hold_of_recall_is_whole CHECK (recall_id IS NULL OR units IS NULL);
COMMENT ON COLUMN hold.recall_id IS 'The recall that placed it: all units, also those that come back. Only an owner lifts it.';
CREATE INDEX hold_of_recall ON hold (workshop_id, recall_id) WHERE recall_id IS NOT NULL;

-- A recall changes thousands of rows in one statement: the old and the new images are paired by a hash, not each row held
-- against each, which the planner does where it does not know how many there are.
ALTER FUNCTION audit_rows() SET enable_nestloop = off;

-- The trail's triggers of batch name what a progress may change; the flag is one of them.
DROP TRIGGER audit_update ON batch;
CREATE TRIGGER audit_update AFTER UPDATE ON batch REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION audit_rows('', '', 'status,recalled');

-- Papers of a complaint, a product and a recall.
ALTER TABLE document ADD COLUMN complaint_id uuid;
ALTER TABLE document ADD COLUMN product_id uuid;
ALTER TABLE document ADD COLUMN recall_id uuid;
ALTER TABLE document ADD CONSTRAINT document_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES product (workshop_id, id);
ALTER TABLE document ADD CONSTRAINT document_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id);
ALTER TABLE document DROP CONSTRAINT document_owner;
ALTER TABLE document ADD CONSTRAINT document_owner CHECK (num_nonnulls(lot_id, batch_id, complaint_id, product_id, recall_id) = 1);
ALTER TABLE document DROP CONSTRAINT document_kind_check;
ALTER TABLE document ADD CONSTRAINT document_kind_check CHECK (kind IN ('certificate', 'safety_data_sheet', 'delivery_note', 'label', 'photo', 'lab_result', 'letter',
  'description', 'safety_report', 'method', 'proof', 'animal_testing', 'other'));
COMMENT ON TABLE document IS 'A file kept with a lot, a batch, a product, a complaint or a recall: certificate of analysis, safety data sheet, delivery note, photo.';
CREATE INDEX document_by_complaint ON document (workshop_id, complaint_id) WHERE complaint_id IS NOT NULL;
CREATE INDEX document_by_product ON document (workshop_id, product_id) WHERE product_id IS NOT NULL;
CREATE INDEX document_by_recall ON document (workshop_id, recall_id) WHERE recall_id IS NOT NULL;

ALTER TABLE signature DROP CONSTRAINT signature_meaning_check;
ALTER TABLE signature ADD CONSTRAINT signature_meaning_check CHECK (meaning IN ('made', 'checked', 'approved', 'released', 'rejected', 'closed'));

ALTER TABLE workshop ADD COLUMN drill_minutes integer;
ALTER TABLE workshop ADD COLUMN contact text;
ALTER TABLE workshop ADD CONSTRAINT workshop_drill_minutes_check CHECK (drill_minutes BETWEEN 1 AND 100000);
ALTER TABLE workshop ADD CONSTRAINT workshop_contact_check CHECK (length(contact) <= 1000);
COMMENT ON COLUMN workshop.drill_minutes IS 'From the start of a drill to its full list, as the workshop wants to manage it; empty where none is set.';
COMMENT ON COLUMN workshop.contact IS 'Name, address, telephone and e-mail as they stand under a letter or a notice.';

-- +goose Down
SELECT 1;
