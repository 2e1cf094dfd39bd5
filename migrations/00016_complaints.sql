-- Complaints of customers, and what was done about each.
-- +goose Up

CREATE TABLE complaint (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  n               integer NOT NULL CHECK (n > 0),
  received_at     timestamptz NOT NULL,
  came_by         text NOT NULL CHECK (came_by IN ('telephone', 'email', 'letter', 'in_person', 'message', 'stockist', 'other')),
  name            text NOT NULL DEFAULT '' CHECK (length(name) <= 200),
  email           text NOT NULL DEFAULT '' CHECK (length(email) <= 254),
  phone           text NOT NULL DEFAULT '' CHECK (length(phone) <= 60),
  customer_id     uuid,
  product_id      uuid,
  packing_id      uuid,
  code_said       text NOT NULL DEFAULT '' CHECK (length(code_said) <= 100),
  bought_at       text NOT NULL DEFAULT '' CHECK (length(bought_at) <= 200),
  bought_on       date,
  happened_on     date,
  what            text NOT NULL DEFAULT '' CHECK (length(what) <= 4000),
  kind            text NOT NULL CHECK (kind IN ('quality', 'undesirable', 'serious')),
  criteria        text NOT NULL DEFAULT '' CHECK (criteria ~ '^([a-z_]+(,[a-z_]+)*)?$'),
  market          text NOT NULL CHECK (market IN ('eu', 'uk', 'us', 'other')),
  outcome         text NOT NULL DEFAULT '' CHECK (length(outcome) <= 2000),
  closed_at       timestamptz,
  signature_id    uuid,
  erased_at       timestamptz,
  personal_key    bytea NOT NULL CHECK (length(personal_key) = 32),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT complaint_n_key UNIQUE (workshop_id, n),
  CONSTRAINT complaint_criteria_serious CHECK (criteria = '' OR kind = 'serious'),
  CONSTRAINT complaint_closed_signed CHECK ((closed_at IS NULL) = (signature_id IS NULL)),
  CONSTRAINT complaint_closed_outcome CHECK (closed_at IS NULL OR outcome <> ''),
  CONSTRAINT complaint_erased CHECK (erased_at IS NULL OR (closed_at IS NOT NULL AND name = '' AND email = '' AND phone = '' AND what = '')),
  CONSTRAINT complaint_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT complaint_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES product (workshop_id, id),
  CONSTRAINT complaint_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES packing (workshop_id, id),
  CONSTRAINT complaint_signature_fkey FOREIGN KEY (workshop_id, signature_id) REFERENCES signature (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT complaint_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE complaint IS 'A customer''s report. Its number is shown as C-12.';
COMMENT ON COLUMN complaint.name IS 'Who complained. Personal, as are email, phone and what: erased when no longer required.';
COMMENT ON COLUMN complaint.customer_id IS 'The customer of the book who passed it on or is it, such as a stockist.';
COMMENT ON COLUMN complaint.packing_id IS 'What the unit was, as a person decided; empty where nobody has.';
COMMENT ON COLUMN complaint.code_said IS 'The code as it was read out, right or wrong. It is never changed to fit the book.';
COMMENT ON COLUMN complaint.bought_at IS 'Where, in words.';
COMMENT ON COLUMN complaint.what IS 'What happened, as it was said; may hold details of health.';
COMMENT ON COLUMN complaint.criteria IS 'Keys of what makes it serious, as internal/reporting names them, divided by commas.';
COMMENT ON COLUMN complaint.market IS 'Under whose law the unit was sold: eu, uk, us or another.';
COMMENT ON COLUMN complaint.outcome IS 'What came of it, without names or health: it stays when the rest is erased.';
COMMENT ON COLUMN complaint.erased_at IS 'When personal values, photos and the key of their hashes were erased.';
COMMENT ON COLUMN complaint.personal_key IS 'Key of the hashes that stand for the personal values in the audit trail.';
CREATE INDEX complaint_open ON complaint (workshop_id, n) WHERE closed_at IS NULL;
CREATE INDEX complaint_by_packing ON complaint (workshop_id, packing_id) WHERE packing_id IS NOT NULL;
CREATE INDEX complaint_by_product ON complaint (workshop_id, product_id) WHERE product_id IS NOT NULL;
CREATE INDEX complaint_by_customer ON complaint (workshop_id, customer_id) WHERE customer_id IS NOT NULL;

CREATE TABLE complaint_entry (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  complaint_id    uuid NOT NULL,
  kind            text NOT NULL CHECK (kind IN ('call', 'letter', 'test', 'medical', 'authority', 'decision', 'other')),
  happened_at     timestamptz NOT NULL,
  words           text NOT NULL DEFAULT '' CHECK (length(words) <= 4000),
  replaced_by     uuid,
  personal_key    bytea NOT NULL CHECK (length(personal_key) = 32),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT complaint_entry_complaint_fkey FOREIGN KEY (workshop_id, complaint_id) REFERENCES complaint (workshop_id, id),
  CONSTRAINT complaint_entry_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES complaint_entry (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT complaint_entry_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE complaint_entry IS 'What was done or learned about a complaint: a call, a letter, a test, medical news, an authority told, a decision.';
COMMENT ON COLUMN complaint_entry.words IS 'Personal: erased with the complaint.';
COMMENT ON COLUMN complaint_entry.personal_key IS 'Key of the hashes that stand for the personal values in the audit trail.';
COMMENT ON COLUMN complaint_entry.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';
CREATE INDEX complaint_entry_by_complaint ON complaint_entry (workshop_id, complaint_id);

ALTER TABLE document ADD CONSTRAINT document_complaint_fkey FOREIGN KEY (workshop_id, complaint_id) REFERENCES complaint (workshop_id, id);
ALTER TABLE recall_origin ADD CONSTRAINT recall_origin_complaint_fkey FOREIGN KEY (workshop_id, complaint_id) REFERENCES complaint (workshop_id, id);

SELECT record_table('complaint', 'name,email,phone,what', '', 'closed_at,signature_id,outcome');
SELECT record_table('complaint_entry', 'words', '', 'replaced_by');

-- The serving role cannot take bytes of papers away. This function may, of the photos of a complaint that is erased in the
-- same transaction or was: a word stands in their place, so that each paper still has bytes and their SHA-256.
-- +goose StatementBegin
CREATE FUNCTION erase_complaint_photos(which uuid) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
  DELETE FROM document_chunk c USING document d
   WHERE c.workshop_id = current_workshop() AND d.workshop_id = c.workshop_id AND d.id = c.document_id AND d.complaint_id = which
     AND EXISTS (SELECT FROM complaint x WHERE x.workshop_id = current_workshop() AND x.id = d.complaint_id AND x.erased_at IS NOT NULL);
  INSERT INTO document_chunk (workshop_id, document_id, n, data)
  SELECT d.workshop_id, d.id, 0, convert_to('erased', 'UTF8') FROM document d
   WHERE d.workshop_id = current_workshop() AND d.complaint_id = which
     AND EXISTS (SELECT FROM complaint x WHERE x.workshop_id = current_workshop() AND x.id = d.complaint_id AND x.erased_at IS NOT NULL);
END $$;
-- +goose StatementEnd
COMMENT ON FUNCTION erase_complaint_photos IS 'Puts the word erased in the place of the bytes of photos of a complaint of this workshop that is erased.';
REVOKE EXECUTE ON FUNCTION erase_complaint_photos(uuid) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION erase_complaint_photos(uuid) TO stillroom_app;

-- +goose Down
-- Records are never migrated away: restore a backup instead.
SELECT 1;
