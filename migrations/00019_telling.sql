-- Telling of a recall: texts as they were edited, and what was sent by e-mail.
-- +goose Up

CREATE TABLE recall_text (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  recall_id       uuid NOT NULL,
  kind            text NOT NULL CHECK (kind IN ('letter', 'email', 'shop_notice', 'web_text')),
  subject         text NOT NULL DEFAULT '' CHECK (length(subject) <= 200),
  body            text NOT NULL CHECK (length(body) BETWEEN 1 AND 20000),
  replaced_by     uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT recall_text_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id),
  CONSTRAINT recall_text_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES recall_text (workshop_id, id) DEFERRABLE INITIALLY DEFERRED,
  CONSTRAINT recall_text_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE recall_text IS 'A text that tells of a recall, as somebody saved it; without one the draft from the recall''s facts stands.';
COMMENT ON COLUMN recall_text.subject IS 'Of an e-mail; empty for the others.';
COMMENT ON COLUMN recall_text.replaced_by IS 'The text that was saved after it; its own id where the draft was taken again.';
CREATE UNIQUE INDEX recall_text_current ON recall_text (workshop_id, recall_id, kind) WHERE replaced_by IS NULL;

CREATE TABLE mail_log (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  recall_id       uuid NOT NULL,
  customer_id     uuid NOT NULL,
  text_id         uuid NOT NULL,
  address         text NOT NULL CHECK (length(address) <= 254),
  personal_key    bytea NOT NULL CHECK (length(personal_key) = 32),
  message_id      text NOT NULL CHECK (length(message_id) BETWEEN 1 AND 254),
  tried_at        timestamptz NOT NULL,
  outcome         text NOT NULL CHECK (outcome IN ('trying', 'sent', 'failed')),
  said            text CHECK (length(said) <= 1000),
  told_id         uuid,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT mail_log_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES recall (workshop_id, id),
  CONSTRAINT mail_log_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES customer (workshop_id, id),
  CONSTRAINT mail_log_text_fkey FOREIGN KEY (workshop_id, text_id) REFERENCES recall_text (workshop_id, id),
  CONSTRAINT mail_log_told_fkey FOREIGN KEY (workshop_id, told_id) REFERENCES recall_told (workshop_id, id),
  CONSTRAINT mail_log_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE mail_log IS 'An e-mail of a recall to a customer: written down before it is handed over, so that none is sent twice.';
COMMENT ON COLUMN mail_log.address IS 'Where it went, as it stood in the book then.';
COMMENT ON COLUMN mail_log.outcome IS 'trying: handed over, and no answer stored; whether it went is not known then.';
COMMENT ON COLUMN mail_log.said IS 'What the mail server answered.';
COMMENT ON COLUMN mail_log.told_id IS 'The entry that the customer was told by it.';
CREATE UNIQUE INDEX mail_log_once ON mail_log (workshop_id, text_id, customer_id) WHERE outcome <> 'failed';
CREATE INDEX mail_log_by_recall ON mail_log (workshop_id, recall_id, customer_id);

SELECT record_table('recall_text', '', '', 'replaced_by');
SELECT record_table('mail_log', 'address', '', 'outcome,said,told_id');

-- A line that was corrected and taken in again says what has come back by then, the recall's own returns among it. What had
-- come back before the recall stands in the first of them.
CREATE OR REPLACE VIEW recall_list WITH (security_invoker = true) AS
SELECT DISTINCT ON (l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id) l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id, l.customer_id, l.units, l.returned, l.added_at, e.replaced_by IS NOT NULL AS gone,
       first_value(l.returned) OVER (PARTITION BY l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id ORDER BY l.added_at, l.id) AS returned_before
  FROM recall_line l JOIN dispatch_line e ON e.workshop_id = l.workshop_id AND e.id = l.line_id
 ORDER BY l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id, l.added_at DESC, l.id DESC;

-- +goose Down
SELECT 1;
