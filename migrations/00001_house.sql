-- The house: workshops, people, and the trail under every record.
-- +goose Up

-- A record's time is the server's. Only the owner role, which seeds the demo and restores, may name another
-- moment; the serving role cannot, whatever it sets.
-- +goose StatementBegin
CREATE FUNCTION record_time() RETURNS timestamptz
LANGUAGE sql STABLE SET search_path = pg_catalog, pg_temp AS $$
  SELECT CASE WHEN current_user = 'stillroom_app' THEN transaction_timestamp()
         ELSE coalesce(nullif(current_setting('app.record_time', true), '')::timestamptz, transaction_timestamp()) END
$$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION current_workshop() RETURNS uuid
LANGUAGE sql STABLE SET search_path = pg_catalog, pg_temp AS $$
  SELECT nullif(current_setting('app.workshop_id', true), '')::uuid
$$;
-- +goose StatementEnd

CREATE TABLE workshop (
  id              uuid PRIMARY KEY,
  code            text NOT NULL CONSTRAINT workshop_code_key UNIQUE CHECK (length(code) BETWEEN 1 AND 40),
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  zone            text NOT NULL DEFAULT 'UTC',
  code_pattern    text NOT NULL DEFAULT '{letters}-{yyddd}-{nn}{check}',
  soon_days       integer NOT NULL DEFAULT 60 CHECK (soon_days BETWEEN 1 AND 730),
  readability_g   numeric NOT NULL DEFAULT 0.1 CHECK (readability_g > 0),
  min_load_g      numeric NOT NULL DEFAULT 0 CHECK (min_load_g >= 0),
  is_demo         boolean NOT NULL DEFAULT false,
  named           boolean NOT NULL DEFAULT false
);
COMMENT ON TABLE workshop IS 'One maker''s business: the tenant. The only table of content without workshop_id.';
COMMENT ON COLUMN workshop.zone IS 'IANA name; dates are counted and times shown in it.';
COMMENT ON COLUMN workshop.soon_days IS 'A lot or a packing whose date is within so many days is listed as expiring soon.';
COMMENT ON COLUMN workshop.readability_g IS 'Smallest step of the workshop''s scale in g; targets are rounded to it.';
COMMENT ON COLUMN workshop.min_load_g IS 'Below this the workshop''s scale is not trusted; 0 for not stated.';
COMMENT ON COLUMN workshop.named IS 'False until the set-up page has named the workshop.';

CREATE TABLE change (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  at              timestamptz NOT NULL DEFAULT record_time(),
  kind            text NOT NULL CHECK (kind IN ('create', 'progress', 'correct', 'void')),
  actor           text NOT NULL CHECK (actor IN ('person', 'token', 'command', 'system')),
  person_id       uuid,
  role            text NOT NULL DEFAULT '',
  device          text NOT NULL DEFAULT '',
  request_id      text NOT NULL DEFAULT '',
  reason          text NOT NULL DEFAULT '',
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT change_reason CHECK (kind IN ('create', 'progress') OR btrim(reason) <> ''),
  CONSTRAINT change_names_a_person CHECK (actor <> 'person' OR person_id IS NOT NULL)
);
COMMENT ON TABLE change IS 'One row for each transaction that changes records: who, when, from where, why. Audit rows hang under it.';
COMMENT ON COLUMN change.kind IS 'create; progress (a state moves on, an empty value is filled); correct and void need a reason.';
CREATE INDEX change_at ON change (workshop_id, at, id);

CREATE TABLE audit (
  workshop_id     uuid NOT NULL,
  n               bigint GENERATED ALWAYS AS IDENTITY,
  change_id       uuid NOT NULL,
  table_name      text NOT NULL,
  op              text NOT NULL CHECK (op IN ('I', 'U')),
  row_id          text NOT NULL,
  old             jsonb,
  new             jsonb NOT NULL,
  PRIMARY KEY (workshop_id, n),
  CONSTRAINT audit_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE audit IS 'Append-only images of every changed record, old and new. Personal values stand as keyed hashes, secrets not at all.';
CREATE INDEX audit_by_change ON audit (workshop_id, change_id, n);
CREATE INDEX audit_by_row ON audit (workshop_id, table_name, row_id, n);

CREATE TABLE chain_head (
  workshop_id     uuid PRIMARY KEY REFERENCES workshop (id),
  n               bigint NOT NULL DEFAULT 0,
  hash            bytea NOT NULL DEFAULT ''
);
COMMENT ON TABLE chain_head IS 'The end of a workshop''s chain; its row lock puts concurrent transactions in order.';

CREATE TABLE chain_link (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  n               bigint NOT NULL,
  change_id       uuid NOT NULL,
  rows            integer NOT NULL,
  hash            bytea NOT NULL CHECK (length(hash) = 32),
  PRIMARY KEY (workshop_id, n),
  CONSTRAINT chain_link_once UNIQUE (workshop_id, change_id),
  CONSTRAINT chain_link_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE chain_link IS 'SHA-256 of the link before, the change row and its audit rows in order: one link a transaction.';

-- Personal values enter the trail as a hash under a key that is kept with the row. Erasing the row's key and
-- values leaves the chain verifiable and the trail without the person. Two nested hashes, as in HMAC, so that
-- a known hash cannot be extended.
-- +goose StatementBegin
CREATE FUNCTION audit_image(row_image jsonb, personal text[], secret text[]) RETURNS jsonb
LANGUAGE plpgsql IMMUTABLE SET search_path = pg_catalog, pg_temp AS $$
DECLARE
  image jsonb := row_image - secret;
  k text;
  key bytea := convert_to(coalesce(row_image ->> 'personal_key', ''), 'UTF8');
BEGIN
  image := image - 'personal_key';
  FOREACH k IN ARRAY personal LOOP
    IF coalesce(image ->> k, '') <> '' THEN
      image := jsonb_set(image, ARRAY[k], to_jsonb('keyed:' || encode(sha256(key || sha256(key || convert_to(image ->> k, 'UTF8'))), 'hex')));
    END IF;
  END LOOP;
  RETURN image;
END $$;
-- +goose StatementEnd

-- Arguments: personal columns, secret columns, columns that a progress may change (each a comma list).
-- TimeZone and bytea_output are fixed because they decide how to_jsonb writes, and so what is hashed.
-- +goose StatementBegin
CREATE FUNCTION audit_rows() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp SET timezone = 'UTC' SET bytea_output = 'hex' AS $$
DECLARE
  change_now uuid := nullif(current_setting('app.change_id', true), '')::uuid;
  change_kind text;
  personal text[] := string_to_array(TG_ARGV[0], ',');
  secret text[] := string_to_array(TG_ARGV[1], ',');
  state text[] := string_to_array(TG_ARGV[2], ',');
  clash text;
BEGIN
  IF TG_OP = 'INSERT' THEN
    IF NOT EXISTS (SELECT FROM new_rows) THEN RETURN NULL; END IF;
  ELSIF NOT EXISTS (SELECT FROM old_rows) THEN RETURN NULL;
  END IF;
  SELECT c.kind INTO change_kind FROM change c
   WHERE c.workshop_id = current_workshop() AND c.id = change_now;
  IF change_kind IS NULL THEN
    RAISE EXCEPTION '% changed without a change row', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'audit_needs_change';
  END IF;
  IF TG_OP = 'INSERT' THEN
    INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, new)
    SELECT coalesce(j ->> 'workshop_id', j ->> 'id')::uuid, change_now, TG_TABLE_NAME, 'I', j ->> 'id', audit_image(j, personal, secret)
      FROM (SELECT to_jsonb(t) AS j FROM new_rows t) r;
    RETURN NULL;
  END IF;
  IF change_kind NOT IN ('correct', 'void') THEN
    SELECT o.key INTO clash
      FROM (SELECT to_jsonb(t) AS j FROM old_rows t) a
      JOIN (SELECT to_jsonb(t) AS j FROM new_rows t) b ON b.j ->> 'id' = a.j ->> 'id'
     CROSS JOIN LATERAL jsonb_each(a.j) o
     WHERE o.value <> 'null'::jsonb AND o.value <> '""'::jsonb AND b.j -> o.key IS DISTINCT FROM o.value
       AND o.key <> ALL (state) AND o.key <> ALL (secret)
     LIMIT 1;
    IF clash IS NOT NULL THEN
      RAISE EXCEPTION '%.% has a value; changing it is a correction and needs a reason', TG_TABLE_NAME, clash
        USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'audit_needs_correction';
    END IF;
  END IF;
  INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, old, new)
  SELECT coalesce(b.j ->> 'workshop_id', b.j ->> 'id')::uuid, change_now, TG_TABLE_NAME, 'U', b.j ->> 'id',
         audit_image(a.j, personal, secret), audit_image(b.j, personal, secret)
    FROM (SELECT to_jsonb(t) AS j FROM old_rows t) a
    JOIN (SELECT to_jsonb(t) AS j FROM new_rows t) b ON b.j ->> 'id' = a.j ->> 'id';
  RETURN NULL;
END $$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION chain_hash(before bytea, c change) RETURNS bytea
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp SET timezone = 'UTC' SET bytea_output = 'hex' AS $$
  SELECT sha256(before || sha256(convert_to(to_jsonb(c)::text, 'UTF8')) || coalesce(
    (SELECT string_agg(sha256(convert_to(to_jsonb(a)::text, 'UTF8')), ''::bytea ORDER BY a.n)
       FROM audit a WHERE a.workshop_id = c.workshop_id AND a.change_id = c.id), ''::bytea))
$$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION chain_append() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
  head chain_head;
  link bytea;
  held integer;
BEGIN
  SELECT h.* INTO STRICT head FROM chain_head h WHERE h.workshop_id = NEW.workshop_id FOR UPDATE;
  SELECT count(*) INTO held FROM audit a WHERE a.workshop_id = NEW.workshop_id AND a.change_id = NEW.id;
  link := chain_hash(head.hash, NEW);
  INSERT INTO chain_link (workshop_id, n, change_id, rows, hash) VALUES (NEW.workshop_id, head.n + 1, NEW.id, held, link);
  UPDATE chain_head SET n = head.n + 1, hash = link WHERE workshop_id = NEW.workshop_id;
  RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE CONSTRAINT TRIGGER change_chain AFTER INSERT ON change
  DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION chain_append();

-- +goose StatementBegin
CREATE FUNCTION workshop_starts_chain() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
  INSERT INTO chain_head (workshop_id) VALUES (NEW.id);
  INSERT INTO code_pattern (workshop_id, pattern) VALUES (NEW.id, NEW.code_pattern) ON CONFLICT DO NOTHING;
  RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER workshop_chain AFTER INSERT ON workshop FOR EACH ROW EXECUTE FUNCTION workshop_starts_chain();

-- Sets up what every table of a workshop has: the policy, the grants, and for records the two audit triggers.
-- +goose StatementBegin
CREATE FUNCTION house_table(tbl regclass, grants text) RETURNS void
LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
  EXECUTE format('ALTER TABLE %s ENABLE ROW LEVEL SECURITY', tbl);
  EXECUTE format('CREATE POLICY own_workshop ON %s USING (workshop_id = nullif(current_setting(''app.workshop_id'', true), '''')::uuid)', tbl);
  EXECUTE format('GRANT %s ON %s TO stillroom_app', grants, tbl);
END $$;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE FUNCTION record_table(tbl regclass, personal text, secret text, state text) RETURNS void
LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
  PERFORM house_table(tbl, 'SELECT, INSERT, UPDATE');
  EXECUTE format('CREATE TRIGGER audit_insert AFTER INSERT ON %s REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION audit_rows(%L, %L, %L)', tbl, personal, secret, state);
  EXECUTE format('CREATE TRIGGER audit_update AFTER UPDATE ON %s REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION audit_rows(%L, %L, %L)', tbl, personal, secret, state);
END $$;
-- +goose StatementEnd

CREATE TABLE code_pattern (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  pattern         text NOT NULL,
  PRIMARY KEY (workshop_id, pattern)
);
COMMENT ON TABLE code_pattern IS 'Every pattern of batch codes that the workshop ever used; "mistyped" is said only of codes shaped like one of them.';

CREATE TABLE person (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  email           text NOT NULL CHECK (length(email) BETWEEN 3 AND 254),
  email_key       text COLLATE "C" NOT NULL,
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  role            text NOT NULL CHECK (role IN ('viewer', 'helper', 'maker', 'owner')),
  password_hash   text,
  personal_key    bytea NOT NULL CHECK (length(personal_key) = 32),
  disabled_at     timestamptz,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT person_email_key UNIQUE (workshop_id, email_key),
  CONSTRAINT person_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE person IS 'Somebody who signs in. Every entry names one; there are no shared names.';
COMMENT ON COLUMN person.email_key IS 'The address folded to lower case: what sign-in looks up.';
COMMENT ON COLUMN person.personal_key IS 'Key of the hashes that stand for this person''s values in the audit trail.';
ALTER TABLE change ADD CONSTRAINT change_person_fkey FOREIGN KEY (workshop_id, person_id) REFERENCES person (workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

CREATE TABLE session (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  token_hash      bytea NOT NULL CHECK (length(token_hash) = 32),
  id              uuid NOT NULL,
  person_id       uuid NOT NULL,
  device          text NOT NULL DEFAULT '',
  created_at      timestamptz NOT NULL,
  seen_at         timestamptz NOT NULL,
  PRIMARY KEY (workshop_id, token_hash),
  CONSTRAINT session_id_key UNIQUE (workshop_id, id),
  CONSTRAINT session_person_fkey FOREIGN KEY (workshop_id, person_id) REFERENCES person (workshop_id, id)
);
COMMENT ON TABLE session IS 'Who is signed in where. The cookie holds the token, the table only its SHA-256.';
CREATE INDEX session_by_person ON session (workshop_id, person_id);

CREATE TABLE one_time_link (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  token_hash      bytea NOT NULL CHECK (length(token_hash) = 32),
  purpose         text NOT NULL CHECK (purpose IN ('set_up', 'password', 'sign_in')),
  person_id       uuid,
  expires_at      timestamptz NOT NULL,
  used_at         timestamptz,
  PRIMARY KEY (workshop_id, token_hash),
  CONSTRAINT one_time_link_person CHECK ((purpose = 'set_up') = (person_id IS NULL)),
  CONSTRAINT one_time_link_person_fkey FOREIGN KEY (workshop_id, person_id) REFERENCES person (workshop_id, id)
);
COMMENT ON TABLE one_time_link IS 'Links that work once: set up the workshop, set a password, sign in.';

CREATE TABLE throttle (
  key             text COLLATE "C" NOT NULL,
  starts_at       timestamptz NOT NULL,
  tries           integer NOT NULL,
  PRIMARY KEY (key)
);
COMMENT ON TABLE throttle IS 'Counts of tries in a window, for sign-in, look-up and upload. In the database because any number of copies may serve.';
GRANT SELECT, INSERT, UPDATE, DELETE ON throttle TO stillroom_app;

CREATE TABLE entry_key (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  key             uuid NOT NULL,
  payload         bytea NOT NULL CHECK (length(payload) = 32),
  change_id       uuid NOT NULL,
  result          text NOT NULL DEFAULT '',
  PRIMARY KEY (workshop_id, key),
  CONSTRAINT entry_key_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id) DEFERRABLE INITIALLY DEFERRED
);
COMMENT ON TABLE entry_key IS 'A form is stored once, however often it is sent: the key minted into it, the SHA-256 of what it said, and what came of it.';

CREATE TABLE signature (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  person_id       uuid NOT NULL,
  printed_name    text NOT NULL,
  personal_key    bytea NOT NULL CHECK (length(personal_key) = 32),
  meaning         text NOT NULL CHECK (meaning IN ('made', 'checked', 'approved', 'released', 'rejected')),
  subject         text NOT NULL,
  subject_id      uuid NOT NULL,
  local_time      text NOT NULL,
  content         text NOT NULL,
  content_hash    bytea NOT NULL CHECK (length(content_hash) = 32),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT signature_hash CHECK (content_hash = sha256(convert_to(content, 'UTF8'))),
  CONSTRAINT signature_person_fkey FOREIGN KEY (workshop_id, person_id) REFERENCES person (workshop_id, id),
  CONSTRAINT signature_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE signature IS 'Who signed what, with which meaning: the canonical content that was signed and its SHA-256.';
CREATE INDEX signature_by_subject ON signature (workshop_id, subject_id);

CREATE TABLE document (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  lot_id          uuid,
  batch_id        uuid,
  kind            text NOT NULL CHECK (kind IN ('certificate', 'safety_data_sheet', 'delivery_note', 'label', 'other')),
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
  media_type      text NOT NULL,
  size            integer NOT NULL CHECK (size > 0),
  sha256          bytea NOT NULL CHECK (length(sha256) = 32),
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT document_owner CHECK (num_nonnulls(lot_id, batch_id) = 1),
  CONSTRAINT document_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE document IS 'A file kept with a lot or a batch: certificate of analysis, safety data sheet, delivery note.';
CREATE TABLE document_chunk (
  workshop_id     uuid NOT NULL,
  document_id     uuid NOT NULL,
  n               integer NOT NULL,
  data            bytea NOT NULL,
  PRIMARY KEY (workshop_id, document_id, n),
  CONSTRAINT document_chunk_fkey FOREIGN KEY (workshop_id, document_id) REFERENCES document (workshop_id, id)
);
COMMENT ON TABLE document_chunk IS 'The bytes of a document in pieces of at most 256 KiB.';

CREATE TABLE search_key (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  key             text COLLATE "C" NOT NULL,
  kind            text NOT NULL CHECK (kind IN ('batch', 'packing', 'lot', 'supplier_lot', 'material', 'product', 'formula', 'customer', 'supplier', 'dispatch')),
  target_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, kind, key, target_id)
);
COMMENT ON TABLE search_key IS 'Folded words and codes that the look-up box finds by prefix: row-level security lets only plain text ranges use an index.';
CREATE INDEX search_key_by_target ON search_key (workshop_id, target_id);

CREATE TABLE code_counter (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  scope           text COLLATE "C" NOT NULL,
  last            integer NOT NULL,
  PRIMARY KEY (workshop_id, scope)
);
COMMENT ON TABLE code_counter IS 'Last sequence given in a scope (a day of batches, lots of a material, dispatches of a year); its row lock orders concurrent starts.';

-- +goose StatementBegin
CREATE FUNCTION workshops_of_email(wanted text) RETURNS TABLE (workshop_id uuid, person_id uuid)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
  SELECT p.workshop_id, p.id FROM person p WHERE p.email_key = wanted AND p.disabled_at IS NULL ORDER BY 1
$$;
-- +goose StatementEnd
COMMENT ON FUNCTION workshops_of_email IS 'The one question asked before a workshop is known: in which workshops does this address sign in? Answers ids only.';
CREATE INDEX person_by_email ON person (email_key);

SELECT record_table('person', 'email,email_key,name', 'password_hash', 'role,disabled_at');
SELECT record_table('signature', 'printed_name', 'content', '');
SELECT record_table('document', '', '', '');
SELECT house_table('document_chunk', 'SELECT, INSERT');
SELECT house_table('code_pattern', 'SELECT, INSERT');
SELECT house_table('session', 'SELECT, INSERT, UPDATE, DELETE');
SELECT house_table('one_time_link', 'SELECT, INSERT, UPDATE');
SELECT house_table('entry_key', 'SELECT, INSERT, UPDATE (result)');
SELECT house_table('search_key', 'SELECT, INSERT, DELETE');
SELECT house_table('code_counter', 'SELECT, INSERT, UPDATE');
SELECT house_table('change', 'SELECT, INSERT (workshop_id, id, kind, actor, person_id, role, device, request_id, reason)');
SELECT house_table('audit', 'SELECT');
SELECT house_table('chain_head', 'SELECT');
SELECT house_table('chain_link', 'SELECT');
-- The workshop's own row: its id is the tenant.
ALTER TABLE workshop ENABLE ROW LEVEL SECURITY;
CREATE POLICY own_workshop ON workshop USING (id = nullif(current_setting('app.workshop_id', true), '')::uuid);
GRANT SELECT, UPDATE ON workshop TO stillroom_app;
CREATE TRIGGER audit_update AFTER UPDATE ON workshop REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
  FOR EACH STATEMENT EXECUTE FUNCTION audit_rows('', '', 'name,zone,code_pattern,soon_days,readability_g,min_load_g,named,is_demo');
REVOKE EXECUTE ON FUNCTION workshops_of_email(text), chain_hash(bytea, change) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION workshops_of_email(text), chain_hash(bytea, change) TO stillroom_app;
GRANT USAGE ON SCHEMA public TO stillroom_app;

-- +goose Down
-- Records are never migrated away: restore a backup instead.
SELECT 1;
