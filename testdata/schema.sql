CREATE FUNCTION public.audit_image(row_image jsonb, personal text[], secret text[]) RETURNS jsonb
    LANGUAGE plpgsql IMMUTABLE
    SET search_path TO 'pg_catalog', 'pg_temp'
    AS $$
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

CREATE FUNCTION public.audit_readings() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    SET "TimeZone" TO 'UTC'
    AS $$
BEGIN
  INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, old, new)
  SELECT n.workshop_id, current_change(), 'climate_reading', 'U', n.place || '@' || moment_text(n.taken_at), to_jsonb(o), to_jsonb(n)
    FROM old_rows o JOIN new_rows n ON n.workshop_id = o.workshop_id AND n.place = o.place AND n.taken_at = o.taken_at;
  RETURN NULL;
END $$;

CREATE FUNCTION public.audit_rows() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    SET "TimeZone" TO 'UTC'
    SET bytea_output TO 'hex'
    SET enable_nestloop TO 'off'
    AS $$
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
  IF TG_OP = 'INSERT' AND current_setting('app.bulk', true) = 'on' THEN
    IF EXISTS (SELECT FROM audit a WHERE a.workshop_id = current_workshop() AND a.change_id = change_now AND a.table_name = TG_TABLE_NAME AND a.op = 'I' AND a.row_id = ''
                AND EXISTS (SELECT FROM new_rows t WHERE (t.change_id <> change_now) = (a.new ? 'told'))) THEN
      RAISE EXCEPTION '% was filled twice in one import', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'audit_bulk_once';
    END IF;
    IF EXISTS (SELECT FROM new_rows t WHERE t.change_id <> change_now
                AND NOT EXISTS (SELECT FROM change c WHERE c.workshop_id = current_workshop() AND c.id = t.change_id AND c.within = change_now)) THEN
      RAISE EXCEPTION 'a row of % belongs to a change of another import', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'audit_bulk_own';
    END IF;
    INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, new)
    SELECT current_workshop(), change_now, TG_TABLE_NAME, 'I', r.j ->> 'id', audit_image(r.j, personal, secret)
      FROM (SELECT to_jsonb(t) AS j FROM new_rows t WHERE t.change_id IS NULL) r;
    IF personal = '{}' AND secret = '{}' THEN
      INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, new)
      SELECT current_workshop(), change_now, TG_TABLE_NAME, 'I', '', CASE WHEN r.told THEN '{"told": true}'::jsonb ELSE '{}'::jsonb END || jsonb_build_object('rows', count(*),
             'sha256', encode(sha256(string_agg(row_digest(r.j), ''::bytea ORDER BY (r.j ->> 'id') COLLATE "C")), 'hex'))
        FROM (SELECT to_jsonb(t) AS j, t.change_id <> change_now AS told FROM new_rows t WHERE t.change_id IS NOT NULL) r GROUP BY r.told ORDER BY r.told;
    ELSE
      INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, new)
      SELECT current_workshop(), change_now, TG_TABLE_NAME, 'I', '', CASE WHEN r.told THEN '{"told": true}'::jsonb ELSE '{}'::jsonb END || jsonb_build_object('rows', count(*),
             'sha256', encode(sha256(string_agg(row_digest(audit_image(r.j, personal, secret)), ''::bytea ORDER BY (r.j ->> 'id') COLLATE "C")), 'hex'))
        FROM (SELECT to_jsonb(t) AS j, t.change_id <> change_now AS told FROM new_rows t WHERE t.change_id IS NOT NULL) r GROUP BY r.told ORDER BY r.told;
    END IF;
    RETURN NULL;
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

CREATE FUNCTION public.chain_append() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    AS $$
DECLARE
  head chain_head;
  link bytea;
  held integer;
BEGIN
  SELECT h.* INTO STRICT head FROM chain_head h WHERE h.workshop_id = NEW.workshop_id FOR UPDATE;
  IF EXISTS (SELECT FROM change c WHERE c.workshop_id = NEW.workshop_id AND c.within = NEW.id) THEN
    INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, new) VALUES (NEW.workshop_id, NEW.id, 'change', 'I', '', told_changes(NEW.workshop_id, NEW.id));
  END IF;
  SELECT count(*) INTO held FROM audit a WHERE a.workshop_id = NEW.workshop_id AND a.change_id = NEW.id;
  link := chain_hash(head.hash, NEW);
  INSERT INTO chain_link (workshop_id, n, change_id, rows, hash) VALUES (NEW.workshop_id, head.n + 1, NEW.id, held, link);
  UPDATE chain_head SET n = head.n + 1, hash = link WHERE workshop_id = NEW.workshop_id;
  RETURN NULL;
END $$;

CREATE FUNCTION public.chain_breaks(ws uuid) RETURNS TABLE(n bigint, change_id uuid, problem text)
    LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    SET "TimeZone" TO 'UTC'
    SET bytea_output TO 'hex'
    AS $$
  WITH links AS (
    SELECT l.n, l.change_id, l.rows, l.hash, lag(l.n, 1, 0::bigint) OVER (ORDER BY l.n) AS before_n,
           lag(l.hash, 1, ''::bytea) OVER (ORDER BY l.n) AS before_hash
      FROM chain_link l WHERE l.workshop_id = ws)
  SELECT k.n, k.change_id,
         CASE WHEN k.n <> k.before_n + 1 THEN 'a link is missing before this one'
              WHEN c.id IS NULL THEN 'the change of this link is gone'
              WHEN (SELECT count(*) FROM audit a WHERE a.workshop_id = ws AND a.change_id = k.change_id) <> k.rows THEN 'rows of this change were added or removed'
              ELSE 'a row of this change, or their order, was altered' END
    FROM links k LEFT JOIN change c ON c.workshop_id = ws AND c.id = k.change_id
   WHERE k.n <> k.before_n + 1 OR c.id IS NULL OR k.hash <> chain_hash(k.before_hash, c)
  UNION ALL
  SELECT 0, c.id, 'a change stands outside the chain' FROM change c
   WHERE c.workshop_id = ws AND c.within IS NULL AND NOT EXISTS (SELECT FROM chain_link l WHERE l.workshop_id = ws AND l.change_id = c.id)
  UNION ALL
  SELECT 0, i.within, 'the changes that this import told of are not those that came in'
    FROM (SELECT c.within FROM change c WHERE c.workshop_id = ws AND c.within IS NOT NULL
          UNION SELECT a.change_id FROM audit a WHERE a.workshop_id = ws AND a.table_name = 'change' AND a.row_id = '') i
   WHERE told_changes(ws, i.within) IS DISTINCT FROM (SELECT a.new FROM audit a WHERE a.workshop_id = ws AND a.change_id = i.within AND a.table_name = 'change' AND a.row_id = '' ORDER BY a.n LIMIT 1)
  UNION ALL
  SELECT h.n, NULL, 'the head of the chain is not its last link'
    FROM chain_head h LEFT JOIN LATERAL (SELECT x.n, x.hash FROM chain_link x WHERE x.workshop_id = ws ORDER BY x.n DESC LIMIT 1) z ON true
   WHERE h.workshop_id = ws AND (h.n <> coalesce(z.n, 0) OR h.hash <> coalesce(z.hash, ''::bytea))
  ORDER BY 1
$$;

CREATE FUNCTION public.record_time() RETURNS timestamp with time zone
    LANGUAGE sql STABLE
    SET search_path TO 'pg_catalog', 'pg_temp'
    AS $$
  SELECT CASE WHEN current_user = 'stillroom_app' THEN transaction_timestamp()
         ELSE coalesce(nullif(current_setting('app.record_time', true), '')::timestamptz, transaction_timestamp()) END
$$;

CREATE TABLE public.change (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    at timestamp with time zone DEFAULT public.record_time() NOT NULL,
    kind text NOT NULL,
    actor text NOT NULL,
    person_id uuid,
    role text DEFAULT ''::text NOT NULL,
    device text DEFAULT ''::text NOT NULL,
    request_id text DEFAULT ''::text NOT NULL,
    reason text DEFAULT ''::text NOT NULL,
    within uuid,
    CONSTRAINT change_actor_check CHECK ((actor = ANY (ARRAY['person'::text, 'token'::text, 'command'::text, 'system'::text]))),
    CONSTRAINT change_kind_check CHECK ((kind = ANY (ARRAY['create'::text, 'progress'::text, 'correct'::text, 'void'::text]))),
    CONSTRAINT change_names_a_person CHECK (((actor <> 'person'::text) OR (person_id IS NOT NULL))),
    CONSTRAINT change_reason CHECK (((kind = ANY (ARRAY['create'::text, 'progress'::text])) OR (btrim(reason) <> ''::text))),
    CONSTRAINT change_within_another CHECK ((within <> id))
);

COMMENT ON TABLE public.change IS 'One row for each transaction that changes records: who, when, from where, why. Audit rows hang under it.';

COMMENT ON COLUMN public.change.kind IS 'create; progress (a state moves on, an empty value is filled); correct and void need a reason.';

COMMENT ON COLUMN public.change.within IS 'Of a change that a file told of: the import that brought it. Its time and person are the file''s word, and no link of the chain is its own.';

CREATE FUNCTION public.chain_hash(before bytea, c public.change) RETURNS bytea
    LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    SET "TimeZone" TO 'UTC'
    SET bytea_output TO 'hex'
    AS $$
  SELECT sha256(before || sha256(convert_to((CASE WHEN c.within IS NULL THEN to_jsonb(c) - 'within' ELSE to_jsonb(c) END)::text, 'UTF8')) || coalesce(
    (SELECT string_agg(sha256(convert_to(to_jsonb(a)::text, 'UTF8')), ''::bytea ORDER BY a.n)
       FROM audit a WHERE a.workshop_id = c.workshop_id AND a.change_id = c.id), ''::bytea))
$$;

CREATE FUNCTION public.current_change() RETURNS uuid
    LANGUAGE sql STABLE
    SET search_path TO 'pg_catalog', 'pg_temp'
    AS $$
  SELECT nullif(current_setting('app.change_id', true), '')::uuid
$$;

CREATE FUNCTION public.current_workshop() RETURNS uuid
    LANGUAGE sql STABLE
    SET search_path TO 'pg_catalog', 'pg_temp'
    AS $$
  SELECT nullif(current_setting('app.workshop_id', true), '')::uuid
$$;

CREATE FUNCTION public.draft_only() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    AS $$
DECLARE
  part record;
  state text;
  told uuid;
BEGIN
  IF TG_OP = 'DELETE' THEN part := OLD; ELSE part := NEW; END IF;
  SELECT v.status, c.within INTO state, told FROM formula_version v LEFT JOIN change c ON c.workshop_id = v.workshop_id AND c.id = v.change_id
   WHERE v.workshop_id = part.workshop_id AND v.id = part.version_id FOR SHARE OF v;
  IF state IS DISTINCT FROM 'draft' AND NOT (TG_OP = 'INSERT' AND told IS NOT NULL AND import_open(part.workshop_id, told)) THEN
    RAISE EXCEPTION 'an approved formula version never changes' USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'formula_version_immutable';
  END IF;
  RETURN part;
END $$;

CREATE FUNCTION public.erase_complaint_photos(which uuid) RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    AS $$
BEGIN
  DELETE FROM document_chunk c USING document d
   WHERE c.workshop_id = current_workshop() AND d.workshop_id = c.workshop_id AND d.id = c.document_id AND d.complaint_id = which
     AND EXISTS (SELECT FROM complaint x WHERE x.workshop_id = current_workshop() AND x.id = d.complaint_id AND x.erased_at IS NOT NULL);
  INSERT INTO document_chunk (workshop_id, document_id, n, data)
  SELECT d.workshop_id, d.id, 0, convert_to('erased', 'UTF8') FROM document d
   WHERE d.workshop_id = current_workshop() AND d.complaint_id = which
     AND EXISTS (SELECT FROM complaint x WHERE x.workshop_id = current_workshop() AND x.id = d.complaint_id AND x.erased_at IS NOT NULL);
END $$;

COMMENT ON FUNCTION public.erase_complaint_photos(which uuid) IS 'Puts the word erased in the place of the bytes of photos of a complaint of this workshop that is erased.';

CREATE FUNCTION public.house_table(tbl regclass, grants text) RETURNS void
    LANGUAGE plpgsql
    SET search_path TO 'public', 'pg_temp'
    AS $$
BEGIN
  EXECUTE format('ALTER TABLE %s ENABLE ROW LEVEL SECURITY', tbl);
  EXECUTE format('CREATE POLICY own_workshop ON %s USING (workshop_id = nullif(current_setting(''app.workshop_id'', true), '''')::uuid)', tbl);
  EXECUTE format('GRANT %s ON %s TO stillroom_app', grants, tbl);
END $$;

CREATE FUNCTION public.import_open(ws uuid, import uuid) RETURNS boolean
    LANGUAGE sql STABLE
    SET search_path TO 'public', 'pg_temp'
    AS $$
  SELECT coalesce(current_setting('app.bulk', true) = 'on' AND ws = current_workshop() AND import = current_change(), false)
     AND EXISTS (SELECT FROM change c WHERE c.workshop_id = ws AND c.id = import AND c.within IS NULL)
     AND NOT EXISTS (SELECT FROM chain_link l WHERE l.workshop_id = ws AND l.change_id = import)
$$;

CREATE FUNCTION public.moment_text(at timestamp with time zone) RETURNS text
    LANGUAGE sql IMMUTABLE
    SET search_path TO 'pg_catalog', 'pg_temp'
    AS $$
  SELECT rtrim(rtrim(to_char(at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US'), '0'), '.') || 'Z'
$$;

CREATE FUNCTION public.record_drift(ws uuid) RETURNS TABLE(table_name text, row_id text, problem text)
    LANGUAGE plpgsql STABLE SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    SET "TimeZone" TO 'UTC'
    SET bytea_output TO 'hex'
    AS $_$
DECLARE
  t record;
  args text[];
  held boolean;
BEGIN
  FOR t IN SELECT c.relname, g.tgargs FROM pg_trigger g JOIN pg_class c ON c.oid = g.tgrelid
            WHERE g.tgname = 'audit_insert' AND c.relnamespace = 'public'::regnamespace ORDER BY c.relname LOOP
    args := string_to_array(replace(encode(t.tgargs, 'escape'), '\000', '|'), '|');
    EXECUTE format('SELECT EXISTS (SELECT FROM %I y WHERE y.workshop_id = $1)', t.relname) INTO held USING ws;
    IF held OR EXISTS (SELECT FROM audit x WHERE x.workshop_id = ws AND x.table_name = t.relname AND x.row_id > '') THEN
      RETURN QUERY EXECUTE format(
        'SELECT %L::text, coalesce(a.row_id, r.row_id),
                CASE WHEN a.row_id IS NULL THEN ''the row is not in the trail'' WHEN r.row_id IS NULL THEN ''the row is gone''
                     ELSE ''the row is not what the trail last recorded'' END
           FROM (SELECT DISTINCT ON (x.row_id) x.row_id, x.new FROM audit x WHERE x.workshop_id = $1 AND x.table_name = %L AND x.row_id <> '''' ORDER BY x.row_id, x.n DESC) a
           FULL JOIN (SELECT (to_jsonb(y) ->> ''id'') AS row_id, audit_image(to_jsonb(y), $2, $3) AS image, y.change_id FROM %I y WHERE y.workshop_id = $1) r ON r.row_id = a.row_id
          WHERE r.row_id IS NULL OR (a.new <> r.image AND jsonb_strip_nulls(a.new) <> jsonb_strip_nulls(r.image))
             OR (a.row_id IS NULL AND NOT EXISTS (SELECT FROM change c JOIN audit k ON k.workshop_id = $1 AND k.change_id = coalesce(c.within, c.id) AND (k.new ? ''told'') = (c.within IS NOT NULL)
                   WHERE c.workshop_id = $1 AND c.id = r.change_id AND k.table_name = %L AND k.row_id = ''''))
          ORDER BY 2', t.relname, t.relname, t.relname, t.relname)
        USING ws, string_to_array(args[1], ','), string_to_array(args[2], ',');
    END IF;
    IF EXISTS (SELECT FROM audit x WHERE x.workshop_id = ws AND x.table_name = t.relname AND x.row_id = '') THEN
      RETURN QUERY EXECUTE format(
        'WITH b AS MATERIALIZED (SELECT x.change_id, x.new, x.new ? ''told'' AS told FROM audit x WHERE x.workshop_id = $1 AND x.table_name = %L AND x.row_id = ''''),
              touched AS (SELECT DISTINCT ON (x.row_id) x.row_id, x.op, x.old FROM audit x WHERE x.workshop_id = $1 AND x.table_name = %L AND x.row_id <> '''' ORDER BY x.row_id, x.n),
              m AS (SELECT coalesce(c.within, c.id) AS import, c.within IS NOT NULL AS told, count(*) AS rows,
                           encode(sha256(string_agg(row_digest(i.image), ''''::bytea ORDER BY i.row_id COLLATE "C")), ''hex'') AS sha
                      FROM (SELECT r.row_id, coalesce(f.old, r.image) AS image
                              FROM (SELECT (to_jsonb(y) ->> ''id'') AS row_id, audit_image(to_jsonb(y), $2, $3) AS image FROM %I y WHERE y.workshop_id = $1) r
                              LEFT JOIN touched f ON f.row_id = r.row_id WHERE f.op IS DISTINCT FROM ''I'') i
                      JOIN change c ON c.workshop_id = $1 AND c.id = (i.image ->> ''change_id'')::uuid
                     WHERE EXISTS (SELECT FROM b) GROUP BY 1, 2)
         SELECT %L::text, b.change_id::text, ''the rows of this import are not those that came in''
           FROM b LEFT JOIN m ON m.import = b.change_id AND m.told = b.told
          WHERE m.rows IS DISTINCT FROM (b.new ->> ''rows'')::bigint OR m.sha IS DISTINCT FROM b.new ->> ''sha256''
          ORDER BY 2', t.relname, t.relname, t.relname, t.relname)
        USING ws, string_to_array(args[1], ','), string_to_array(args[2], ',');
    END IF;
  END LOOP;
END $_$;

CREATE FUNCTION public.record_table(tbl regclass, personal text, secret text, state text) RETURNS void
    LANGUAGE plpgsql
    SET search_path TO 'public', 'pg_temp'
    AS $$
BEGIN
  PERFORM house_table(tbl, 'SELECT, INSERT, UPDATE');
  EXECUTE format('CREATE TRIGGER audit_insert AFTER INSERT ON %s REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION audit_rows(%L, %L, %L)', tbl, personal, secret, state);
  EXECUTE format('CREATE TRIGGER audit_update AFTER UPDATE ON %s REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION audit_rows(%L, %L, %L)', tbl, personal, secret, state);
END $$;

CREATE FUNCTION public.row_digest(image jsonb) RETURNS bytea
    LANGUAGE sql IMMUTABLE
    SET search_path TO 'pg_catalog', 'pg_temp'
    AS $$
  SELECT sha256(convert_to(jsonb_strip_nulls(image)::text, 'UTF8'))
$$;

CREATE FUNCTION public.told_change_guard() RETURNS trigger
    LANGUAGE plpgsql
    SET search_path TO 'public', 'pg_temp'
    AS $$
BEGIN
  IF NOT import_open(NEW.workshop_id, NEW.within) THEN
    RAISE EXCEPTION 'a change is told by an import, while that is open' USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_told_by_import';
  END IF;
  RETURN NEW;
END $$;

CREATE FUNCTION public.told_changes(ws uuid, import uuid) RETURNS jsonb
    LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    SET "TimeZone" TO 'UTC'
    SET bytea_output TO 'hex'
    AS $$
  SELECT jsonb_build_object('told', true, 'rows', count(*), 'sha256', encode(sha256(coalesce(string_agg(row_digest(to_jsonb(c)), ''::bytea ORDER BY c.id::text COLLATE "C"), ''::bytea)), 'hex'))
    FROM change c WHERE c.workshop_id = ws AND c.within = import
$$;

CREATE FUNCTION public.version_immutable() RETURNS trigger
    LANGUAGE plpgsql
    SET search_path TO 'public', 'pg_temp'
    AS $$
BEGIN
  IF OLD.status <> 'draft' AND (to_jsonb(OLD) - 'status') IS DISTINCT FROM (to_jsonb(NEW) - 'status')
     OR OLD.status <> 'draft' AND NEW.status = 'draft' THEN
    RAISE EXCEPTION 'an approved formula version never changes' USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'formula_version_immutable';
  END IF;
  RETURN NEW;
END $$;

CREATE FUNCTION public.workshop_starts_chain() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    AS $$
BEGIN
  INSERT INTO chain_head (workshop_id) VALUES (NEW.id);
  INSERT INTO code_pattern (workshop_id, pattern) VALUES (NEW.id, NEW.code_pattern) ON CONFLICT DO NOTHING;
  RETURN NULL;
END $$;

CREATE FUNCTION public.workshops_of_email(wanted text) RETURNS TABLE(workshop_id uuid, person_id uuid)
    LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    AS $$
  SELECT p.workshop_id, p.id FROM person p WHERE p.email_key = wanted AND p.disabled_at IS NULL ORDER BY 1
$$;

COMMENT ON FUNCTION public.workshops_of_email(wanted text) IS 'The one question asked before a workshop is known: in which workshops does this address sign in? Answers ids only.';

CREATE TABLE public.api_token (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    name text NOT NULL,
    read_only boolean NOT NULL,
    token_hash bytea NOT NULL,
    created_at timestamp with time zone NOT NULL,
    revoked_at timestamp with time zone,
    change_id uuid NOT NULL,
    CONSTRAINT api_token_name_check CHECK (((length(name) >= 1) AND (length(name) <= 80))),
    CONSTRAINT api_token_token_hash_check CHECK ((length(token_hash) = 32))
);

COMMENT ON TABLE public.api_token IS 'What lets a program in. It was shown once; the table has its SHA-256 only.';

COMMENT ON COLUMN public.api_token.name IS 'What it is for; it stands beside what the program records.';

COMMENT ON COLUMN public.api_token.read_only IS 'It may trace and export, and nothing that stores.';

CREATE TABLE public.api_token_use (
    workshop_id uuid NOT NULL,
    token_id uuid NOT NULL,
    used_at timestamp with time zone NOT NULL
);

COMMENT ON TABLE public.api_token_use IS 'When a token was last used, to the minute: no record, so that using one leaves no change.';

CREATE TABLE public.audit (
    workshop_id uuid NOT NULL,
    n bigint NOT NULL,
    change_id uuid NOT NULL,
    table_name text NOT NULL,
    op text NOT NULL,
    row_id text NOT NULL,
    old jsonb,
    new jsonb NOT NULL,
    CONSTRAINT audit_op_check CHECK ((op = ANY (ARRAY['I'::text, 'U'::text])))
);

COMMENT ON TABLE public.audit IS 'Append-only images of every changed record, old and new. Personal values stand as keyed hashes, secrets not at all.';

ALTER TABLE public.audit ALTER COLUMN n ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.audit_n_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.backup_note (
    workshop_id uuid NOT NULL,
    made_at timestamp with time zone NOT NULL
);

COMMENT ON TABLE public.backup_note IS 'When the last backup of the database that holds the workshop was made. No record: it says nothing about the work.';

CREATE TABLE public.batch (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    code_key text NOT NULL COLLATE pg_catalog."C",
    origin text NOT NULL,
    formula_id uuid,
    version_id uuid,
    product_id uuid,
    status text NOT NULL,
    planned_units integer,
    planned_g numeric,
    made_at timestamp with time zone NOT NULL,
    made_on date NOT NULL,
    made_by uuid,
    late boolean DEFAULT false NOT NULL,
    place text DEFAULT ''::text NOT NULL,
    moulded_at timestamp with time zone,
    moulded_units integer,
    moulded_g numeric,
    cure_started_at timestamp with time zone,
    cure_ended_at timestamp with time zone,
    packed_at timestamp with time zone,
    left_over_g numeric,
    loss_g numeric,
    yield_note text DEFAULT ''::text NOT NULL,
    best_before date,
    bulk_g numeric,
    bulk_released_at timestamp with time zone,
    change_id uuid NOT NULL,
    kind text,
    only_temperature_c numeric,
    only_humidity_pct numeric,
    recalled boolean,
    CONSTRAINT batch_bench_has_formula CHECK (((origin <> 'bench'::text) OR ((made_by IS NOT NULL) AND
CASE
    WHEN (kind = 'set'::text) THEN ((formula_id IS NULL) AND (product_id IS NOT NULL))
    ELSE ((formula_id IS NOT NULL) AND (version_id IS NOT NULL))
END))),
    CONSTRAINT batch_bulk_g_check CHECK ((bulk_g >= (0)::numeric)),
    CONSTRAINT batch_code_check CHECK (((length(code) >= 1) AND (length(code) <= 20))),
    CONSTRAINT batch_code_key_check CHECK ((code_key <> ''::text)),
    CONSTRAINT batch_kind_check CHECK ((kind = 'set'::text)),
    CONSTRAINT batch_left_over_g_check CHECK ((left_over_g >= (0)::numeric)),
    CONSTRAINT batch_loss_g_check CHECK ((loss_g >= (0)::numeric)),
    CONSTRAINT batch_moulded_g_check CHECK ((moulded_g >= (0)::numeric)),
    CONSTRAINT batch_moulded_units_check CHECK ((moulded_units >= 0)),
    CONSTRAINT batch_only_humidity_pct_check CHECK (((only_humidity_pct >= (0)::numeric) AND (only_humidity_pct <= (100)::numeric))),
    CONSTRAINT batch_only_temperature_c_check CHECK (((only_temperature_c >= ('-45'::integer)::numeric) AND (only_temperature_c <= (80)::numeric))),
    CONSTRAINT batch_origin_check CHECK ((origin = ANY (ARRAY['bench'::text, 'history'::text]))),
    CONSTRAINT batch_planned_g_check CHECK ((planned_g > (0)::numeric)),
    CONSTRAINT batch_planned_units_check CHECK ((planned_units > 0)),
    CONSTRAINT batch_status_check CHECK ((status = ANY (ARRAY['making'::text, 'curing'::text, 'packing'::text, 'quarantined'::text, 'released'::text, 'rejected'::text, 'void'::text])))
);

COMMENT ON TABLE public.batch IS 'One making of one formula version; its number is the batch code.';

COMMENT ON COLUMN public.batch.code_key IS 'The code folded: case, separators and look-alikes gone. Unique, so that no two codes can be confused.';

COMMENT ON COLUMN public.batch.origin IS 'bench: recorded here, with formula and people; history: brought in from an older book.';

COMMENT ON COLUMN public.batch.late IS 'Written up on a later day than it was made.';

COMMENT ON COLUMN public.batch.best_before IS 'For bulk, and for a history batch without packings; units have theirs on the packing.';

COMMENT ON COLUMN public.batch.bulk_g IS 'For an intermediate: mass ready to be drawn by other batches.';

COMMENT ON COLUMN public.batch.kind IS 'set: put together from units of other batches, without a formula. Empty for what is made.';

COMMENT ON COLUMN public.batch.only_temperature_c IS 'Of a history batch: the room''s temperature at making where the older book says nothing of its humidity; else both are in batch_climate.';

COMMENT ON COLUMN public.batch.only_humidity_pct IS 'Of a history batch: the room''s humidity at making where the older book says nothing of its temperature.';

COMMENT ON COLUMN public.batch.recalled IS 'In a recall: its bulk may not be drawn, what is packed of it is held at once. Empty is no.';

CREATE TABLE public.batch_climate (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    stage text NOT NULL,
    temperature_c numeric NOT NULL,
    humidity_pct numeric NOT NULL,
    taken_at timestamp with time zone NOT NULL,
    source text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT batch_climate_humidity_pct_check CHECK (((humidity_pct >= (0)::numeric) AND (humidity_pct <= (100)::numeric))),
    CONSTRAINT batch_climate_source_check CHECK ((source = ANY (ARRAY['typed'::text, 'logger'::text, 'history'::text]))),
    CONSTRAINT batch_climate_stage_check CHECK ((stage = ANY (ARRAY['making'::text, 'cure'::text]))),
    CONSTRAINT batch_climate_temperature_c_check CHECK (((temperature_c >= ('-45'::integer)::numeric) AND (temperature_c <= (80)::numeric)))
);

COMMENT ON TABLE public.batch_climate IS 'Temperature and humidity of the room at making, and readings noted during the cure.';

COMMENT ON COLUMN public.batch_climate.replaced_by IS 'The reading that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.batch_equipment (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    packing_id uuid,
    equipment_id uuid NOT NULL,
    was_clean boolean,
    note text DEFAULT ''::text NOT NULL,
    happened_at timestamp with time zone NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT batch_equipment_note_check CHECK ((length(note) <= 1000))
);

COMMENT ON TABLE public.batch_equipment IS 'Equipment that a batch, or one packing of it, used.';

COMMENT ON COLUMN public.batch_equipment.was_clean IS 'Looked at and clean before use; empty where nobody was asked.';

COMMENT ON COLUMN public.batch_equipment.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.batch_input (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    line_id uuid,
    material_lot_id uuid,
    source_batch_id uuid,
    source_packing_id uuid,
    untracked_material_id uuid,
    inner_line boolean DEFAULT false NOT NULL,
    quantity numeric NOT NULL,
    unit text NOT NULL,
    weighed_g numeric,
    typed text DEFAULT ''::text NOT NULL,
    happened_at timestamp with time zone,
    late boolean DEFAULT false NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    rework_id uuid,
    scale_id uuid,
    CONSTRAINT batch_input_not_itself CHECK ((batch_id IS DISTINCT FROM source_batch_id)),
    CONSTRAINT batch_input_of_one CHECK (((num_nonnulls(material_lot_id, source_batch_id, untracked_material_id) = 1) OR (inner_line AND (num_nonnulls(material_lot_id, source_batch_id, untracked_material_id) = 0)))),
    CONSTRAINT batch_input_packing_of_batch CHECK (((source_packing_id IS NULL) OR (source_batch_id IS NOT NULL))),
    CONSTRAINT batch_input_quantity_check CHECK ((quantity >= (0)::numeric)),
    CONSTRAINT batch_input_unit_check CHECK ((unit = ANY (ARRAY['g'::text, 'ml'::text, 'each'::text]))),
    CONSTRAINT batch_input_weighed_g_check CHECK ((weighed_g >= (0)::numeric))
);

COMMENT ON TABLE public.batch_input IS 'What went into a batch: from a lot, from another batch (bulk, rejects, left-over, or good units), or untracked. A ledger row.';

COMMENT ON COLUMN public.batch_input.line_id IS 'Empty for an addition that the formula does not have.';

COMMENT ON COLUMN public.batch_input.inner_line IS 'A line that is itself a portion of this batch: its mass was counted where that portion was weighed.';

COMMENT ON COLUMN public.batch_input.quantity IS 'In the material''s unit; from a source batch g of bulk, rejects or left-over, or each for good units.';

COMMENT ON COLUMN public.batch_input.weighed_g IS 'What the scale showed, in g.';

COMMENT ON COLUMN public.batch_input.typed IS 'The text as it was typed or read.';

COMMENT ON COLUMN public.batch_input.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

COMMENT ON COLUMN public.batch_input.rework_id IS 'The leave under which rejects or left-over were drawn; empty where nobody had signed one.';

COMMENT ON COLUMN public.batch_input.scale_id IS 'The scale it was weighed on; empty where the workshop keeps none in its book.';

CREATE TABLE public.batch_line (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    "position" integer NOT NULL,
    portion_id uuid NOT NULL,
    line_id uuid NOT NULL,
    planned_g numeric NOT NULL,
    target_g numeric NOT NULL,
    low_g numeric,
    high_g numeric,
    finer_scale boolean DEFAULT false NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT batch_line_planned_g_check CHECK ((planned_g >= (0)::numeric)),
    CONSTRAINT batch_line_target_g_check CHECK ((target_g >= (0)::numeric))
);

COMMENT ON TABLE public.batch_line IS 'A formula''s line scaled to this batch, frozen at the start.';

COMMENT ON COLUMN public.batch_line.target_g IS 'planned_g, unless the rest of a portion was rescaled after a mis-weighing.';

CREATE TABLE public.bulk_move (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    moved_on date NOT NULL,
    grams numeric NOT NULL,
    reason text NOT NULL,
    more_than_recorded boolean DEFAULT false NOT NULL,
    note text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT bulk_move_grams_check CHECK ((grams <> (0)::numeric)),
    CONSTRAINT bulk_move_leaving CHECK (((grams < (0)::numeric) OR (reason = 'count'::text))),
    CONSTRAINT bulk_move_note_check CHECK (((length(note) >= 1) AND (length(note) <= 1000))),
    CONSTRAINT bulk_move_reason_check CHECK ((reason = ANY (ARRAY['thrown_away'::text, 'count'::text])))
);

COMMENT ON TABLE public.bulk_move IS 'Bulk thrown away, or weighed again: signed g. What other batches drew are their inputs. A ledger row.';

COMMENT ON COLUMN public.bulk_move.more_than_recorded IS 'Booked by an entry that drew more than the book held.';

COMMENT ON COLUMN public.bulk_move.replaced_by IS 'Its own id where the entry was taken back.';

CREATE TABLE public.chain_head (
    workshop_id uuid NOT NULL,
    n bigint DEFAULT 0 NOT NULL,
    hash bytea DEFAULT '\x'::bytea NOT NULL
);

COMMENT ON TABLE public.chain_head IS 'The end of a workshop''s chain; its row lock puts concurrent transactions in order.';

CREATE TABLE public.chain_link (
    workshop_id uuid NOT NULL,
    n bigint NOT NULL,
    change_id uuid NOT NULL,
    rows integer NOT NULL,
    hash bytea NOT NULL,
    CONSTRAINT chain_link_hash_check CHECK ((length(hash) = 32))
);

COMMENT ON TABLE public.chain_link IS 'SHA-256 of the link before, the change row and its audit rows in order: one link a transaction.';

CREATE TABLE public.climate_reading (
    workshop_id uuid NOT NULL,
    place text NOT NULL COLLATE pg_catalog."C",
    taken_at timestamp with time zone NOT NULL,
    temperature_c numeric NOT NULL,
    humidity_pct numeric NOT NULL,
    CONSTRAINT climate_reading_humidity_pct_check CHECK (((humidity_pct >= (0)::numeric) AND (humidity_pct <= (100)::numeric))),
    CONSTRAINT climate_reading_place_check CHECK (((length(place) >= 1) AND (length(place) <= 80))),
    CONSTRAINT climate_reading_temperature_c_check CHECK (((temperature_c >= ('-45'::integer)::numeric) AND (temperature_c <= (80)::numeric)))
);

COMMENT ON TABLE public.climate_reading IS 'Readings of a room''s logger; the same reading twice is one row.';

CREATE TABLE public.code_counter (
    workshop_id uuid NOT NULL,
    scope text NOT NULL COLLATE pg_catalog."C",
    last integer NOT NULL
);

COMMENT ON TABLE public.code_counter IS 'Last sequence given in a scope (a day of batches, lots of a material, dispatches of a year); its row lock orders concurrent starts.';

CREATE TABLE public.code_near (
    workshop_id uuid NOT NULL,
    near_key text NOT NULL COLLATE pg_catalog."C",
    code text NOT NULL COLLATE pg_catalog."C",
    batch_id uuid NOT NULL
);

COMMENT ON TABLE public.code_near IS 'For each code on a unit its folded key and every one-character deletion of it: a mistyped code shares one with it. What the code leads to is looked up by its key: batches, packings and unit_code.';

COMMENT ON COLUMN public.code_near.batch_id IS 'The batch for which the code was first made findable; a code on units of several leads to all of them.';

CREATE TABLE public.code_pattern (
    workshop_id uuid NOT NULL,
    pattern text NOT NULL
);

COMMENT ON TABLE public.code_pattern IS 'Every pattern of batch codes that the workshop ever used; "mistyped" is said only of codes shaped like one of them.';

CREATE TABLE public.complaint (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    n integer NOT NULL,
    received_at timestamp with time zone NOT NULL,
    came_by text NOT NULL,
    name text DEFAULT ''::text NOT NULL,
    email text DEFAULT ''::text NOT NULL,
    phone text DEFAULT ''::text NOT NULL,
    customer_id uuid,
    product_id uuid,
    packing_id uuid,
    code_said text DEFAULT ''::text NOT NULL,
    bought_at text DEFAULT ''::text NOT NULL,
    bought_on date,
    happened_on date,
    what text DEFAULT ''::text NOT NULL,
    kind text NOT NULL,
    criteria text DEFAULT ''::text NOT NULL,
    market text NOT NULL,
    outcome text DEFAULT ''::text NOT NULL,
    closed_at timestamp with time zone,
    signature_id uuid,
    erased_at timestamp with time zone,
    personal_key bytea NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT complaint_bought_at_check CHECK ((length(bought_at) <= 200)),
    CONSTRAINT complaint_came_by_check CHECK ((came_by = ANY (ARRAY['telephone'::text, 'email'::text, 'letter'::text, 'in_person'::text, 'message'::text, 'stockist'::text, 'other'::text]))),
    CONSTRAINT complaint_closed_outcome CHECK (((closed_at IS NULL) OR (outcome <> ''::text))),
    CONSTRAINT complaint_closed_signed CHECK (((closed_at IS NULL) = (signature_id IS NULL))),
    CONSTRAINT complaint_code_said_check CHECK ((length(code_said) <= 100)),
    CONSTRAINT complaint_criteria_check CHECK ((criteria ~ '^([a-z_]+(,[a-z_]+)*)?$'::text)),
    CONSTRAINT complaint_criteria_serious CHECK (((criteria = ''::text) OR (kind = 'serious'::text))),
    CONSTRAINT complaint_email_check CHECK ((length(email) <= 254)),
    CONSTRAINT complaint_erased CHECK (((erased_at IS NULL) OR ((closed_at IS NOT NULL) AND (name = ''::text) AND (email = ''::text) AND (phone = ''::text) AND (what = ''::text)))),
    CONSTRAINT complaint_kind_check CHECK ((kind = ANY (ARRAY['quality'::text, 'undesirable'::text, 'serious'::text]))),
    CONSTRAINT complaint_market_check CHECK ((market = ANY (ARRAY['eu'::text, 'uk'::text, 'us'::text, 'other'::text]))),
    CONSTRAINT complaint_n_check CHECK ((n > 0)),
    CONSTRAINT complaint_name_check CHECK ((length(name) <= 200)),
    CONSTRAINT complaint_outcome_check CHECK ((length(outcome) <= 2000)),
    CONSTRAINT complaint_personal_key_check CHECK ((length(personal_key) = 32)),
    CONSTRAINT complaint_phone_check CHECK ((length(phone) <= 60)),
    CONSTRAINT complaint_what_check CHECK ((length(what) <= 4000))
);

COMMENT ON TABLE public.complaint IS 'A customer''s report. Its number is shown as C-12.';

COMMENT ON COLUMN public.complaint.name IS 'Who complained. Personal, as are email, phone and what: erased when no longer required.';

COMMENT ON COLUMN public.complaint.customer_id IS 'The customer of the book who passed it on or is it, such as a stockist.';

COMMENT ON COLUMN public.complaint.packing_id IS 'What the unit was, as a person decided; empty where nobody has.';

COMMENT ON COLUMN public.complaint.code_said IS 'The code as it was read out, right or wrong. It is never changed to fit the book.';

COMMENT ON COLUMN public.complaint.bought_at IS 'Where, in words.';

COMMENT ON COLUMN public.complaint.what IS 'What happened, as it was said; may hold details of health.';

COMMENT ON COLUMN public.complaint.criteria IS 'Keys of what makes it serious, as internal/reporting names them, divided by commas.';

COMMENT ON COLUMN public.complaint.market IS 'Under whose law the unit was sold: eu, uk, us or another.';

COMMENT ON COLUMN public.complaint.outcome IS 'What came of it, without names or health: it stays when the rest is erased.';

COMMENT ON COLUMN public.complaint.erased_at IS 'When personal values, photos and the key of their hashes were erased.';

COMMENT ON COLUMN public.complaint.personal_key IS 'Key of the hashes that stand for the personal values in the audit trail.';

CREATE TABLE public.complaint_entry (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    complaint_id uuid NOT NULL,
    kind text NOT NULL,
    happened_at timestamp with time zone NOT NULL,
    words text DEFAULT ''::text NOT NULL,
    replaced_by uuid,
    personal_key bytea NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT complaint_entry_kind_check CHECK ((kind = ANY (ARRAY['call'::text, 'letter'::text, 'test'::text, 'medical'::text, 'authority'::text, 'decision'::text, 'other'::text]))),
    CONSTRAINT complaint_entry_personal_key_check CHECK ((length(personal_key) = 32)),
    CONSTRAINT complaint_entry_words_check CHECK ((length(words) <= 4000))
);

COMMENT ON TABLE public.complaint_entry IS 'What was done or learned about a complaint: a call, a letter, a test, medical news, an authority told, a decision.';

COMMENT ON COLUMN public.complaint_entry.words IS 'Personal: erased with the complaint.';

COMMENT ON COLUMN public.complaint_entry.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

COMMENT ON COLUMN public.complaint_entry.personal_key IS 'Key of the hashes that stand for the personal values in the audit trail.';

CREATE TABLE public.control (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    version_id uuid NOT NULL,
    "position" integer NOT NULL,
    name text NOT NULL,
    stage text NOT NULL,
    unit text DEFAULT ''::text NOT NULL,
    low numeric,
    high numeric,
    readings integer DEFAULT 1 NOT NULL,
    CONSTRAINT control_limits CHECK (((low IS NULL) OR (high IS NULL) OR (low <= high))),
    CONSTRAINT control_name_check CHECK (((length(name) >= 1) AND (length(name) <= 100))),
    CONSTRAINT control_readings_check CHECK (((readings >= 1) AND (readings <= 500))),
    CONSTRAINT control_stage_check CHECK ((stage = ANY (ARRAY['making'::text, 'moulding'::text, 'cure_end'::text, 'packing'::text]))),
    CONSTRAINT control_unit_check CHECK ((length(unit) <= 20))
);

COMMENT ON TABLE public.control IS 'An in-process control: what is measured at which stage, and between which limits.';

COMMENT ON COLUMN public.control.readings IS 'How many readings are asked for at least; more than one makes a run (fill weights).';

CREATE TABLE public.control_reading (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    packing_id uuid,
    control_id uuid NOT NULL,
    value numeric NOT NULL,
    typed text DEFAULT ''::text NOT NULL,
    happened_at timestamp with time zone NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL
);

COMMENT ON TABLE public.control_reading IS 'One reading of an in-process control; several make a run.';

COMMENT ON COLUMN public.control_reading.replaced_by IS 'The reading that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.crate (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    customer_id uuid NOT NULL,
    event_on date NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    status text NOT NULL,
    dispatch_id uuid,
    back_on date,
    change_id uuid NOT NULL,
    CONSTRAINT crate_away CHECK (((status = ANY (ARRAY['packing'::text, 'dropped'::text])) OR (dispatch_id IS NOT NULL))),
    CONSTRAINT crate_back CHECK (((status = 'back'::text) = (back_on IS NOT NULL))),
    CONSTRAINT crate_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT crate_note_check CHECK ((length(note) <= 1000)),
    CONSTRAINT crate_status_check CHECK ((status = ANY (ARRAY['packing'::text, 'away'::text, 'back'::text, 'dropped'::text])))
);

COMMENT ON TABLE public.crate IS 'Units packed for an event: listed with their codes, sent as one dispatch, counted back in one form.';

CREATE TABLE public.crate_line (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    crate_id uuid NOT NULL,
    packing_id uuid NOT NULL,
    units integer NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT crate_line_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.crate_line IS 'Units of one packing in a crate, as packed. The ledger rows are those of its dispatch, returns and moves.';

COMMENT ON COLUMN public.crate_line.replaced_by IS 'The line that replaces this one; its own id where it was taken out.';

CREATE TABLE public.cure_weighing (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    grams numeric NOT NULL,
    happened_at timestamp with time zone NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT cure_weighing_grams_check CHECK ((grams > (0)::numeric))
);

COMMENT ON TABLE public.cure_weighing IS 'The same marked unit weighed again while it cures.';

COMMENT ON COLUMN public.cure_weighing.replaced_by IS 'The weighing that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.customer (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL,
    kind text NOT NULL,
    email text DEFAULT ''::text NOT NULL,
    phone text DEFAULT ''::text NOT NULL,
    address text DEFAULT ''::text NOT NULL,
    personal_key bytea NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT customer_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT customer_kind_check CHECK ((kind = ANY (ARRAY['stockist'::text, 'online'::text, 'event'::text, 'direct'::text]))),
    CONSTRAINT customer_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200))),
    CONSTRAINT customer_personal_key_check CHECK ((length(personal_key) = 32))
);

COMMENT ON TABLE public.customer IS 'Who received units: a stockist, an online order''s buyer, an event (buyers not known by name), a direct buyer.';

CREATE TABLE public.deviation (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    n integer NOT NULL,
    batch_id uuid,
    packing_id uuid,
    lot_id uuid,
    dispatch_id uuid,
    about_id uuid,
    kind text NOT NULL,
    what text NOT NULL,
    reason text DEFAULT ''::text NOT NULL,
    decision text,
    decision_note text,
    decided_by uuid,
    decided_at timestamp with time zone,
    withdrawn_at timestamp with time zone,
    change_id uuid NOT NULL,
    CONSTRAINT deviation_decided CHECK ((num_nonnulls(decision, decision_note, decided_by, decided_at) = ANY (ARRAY[0, 4]))),
    CONSTRAINT deviation_decision_check CHECK ((decision = ANY (ARRAY['accept'::text, 'reject'::text]))),
    CONSTRAINT deviation_decision_note_check CHECK ((length(decision_note) <= 1000)),
    CONSTRAINT deviation_kind_check CHECK ((kind = ANY (ARRAY['weight'::text, 'lot'::text, 'control'::text, 'climate'::text, 'cure'::text, 'step'::text, 'addition'::text, 'yield'::text, 'date'::text, 'dispatch'::text, 'late'::text, 'other'::text, 'packaging'::text, 'label'::text, 'equipment'::text, 'sample'::text, 'rework'::text]))),
    CONSTRAINT deviation_n_check CHECK ((n > 0)),
    CONSTRAINT deviation_of CHECK ((num_nonnulls(batch_id, packing_id, lot_id, dispatch_id) >= 1)),
    CONSTRAINT deviation_reason_check CHECK ((length(reason) <= 1000)),
    CONSTRAINT deviation_what_check CHECK (((length(what) >= 1) AND (length(what) <= 1000)))
);

COMMENT ON TABLE public.deviation IS 'Anything outside its limits or unlike the formula: what, reason, decision, by whom.';

COMMENT ON COLUMN public.deviation.n IS 'Number of the deviation in this workshop.';

COMMENT ON COLUMN public.deviation.about_id IS 'The entry it came from; when that entry is corrected into its limits the deviation is withdrawn.';

CREATE TABLE public.dispatch (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    customer_id uuid NOT NULL,
    dispatched_on date NOT NULL,
    late boolean DEFAULT false NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    origin text DEFAULT 'bench'::text NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT dispatch_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT dispatch_note_check CHECK ((length(note) <= 1000)),
    CONSTRAINT dispatch_origin_check CHECK ((origin = ANY (ARRAY['bench'::text, 'history'::text])))
);

COMMENT ON TABLE public.dispatch IS 'Units sent to one customer on one day.';

COMMENT ON COLUMN public.dispatch.late IS 'Recorded after the units had left.';

CREATE TABLE public.dispatch_line (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    dispatch_id uuid NOT NULL,
    customer_id uuid NOT NULL,
    packing_id uuid NOT NULL,
    units integer NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT dispatch_line_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.dispatch_line IS 'Units of one packing in a dispatch. A ledger row; the customer stands here too, so that a trace need not read the dispatch.';

COMMENT ON COLUMN public.dispatch_line.replaced_by IS 'The line that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.document (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    lot_id uuid,
    batch_id uuid,
    kind text NOT NULL,
    name text NOT NULL,
    media_type text NOT NULL,
    size integer NOT NULL,
    sha256 bytea NOT NULL,
    change_id uuid NOT NULL,
    complaint_id uuid,
    product_id uuid,
    recall_id uuid,
    CONSTRAINT document_kind_check CHECK ((kind = ANY (ARRAY['certificate'::text, 'safety_data_sheet'::text, 'delivery_note'::text, 'label'::text, 'photo'::text, 'lab_result'::text, 'letter'::text, 'description'::text, 'safety_report'::text, 'method'::text, 'proof'::text, 'animal_testing'::text, 'other'::text]))),
    CONSTRAINT document_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200))),
    CONSTRAINT document_owner CHECK ((num_nonnulls(lot_id, batch_id, complaint_id, product_id, recall_id) = 1)),
    CONSTRAINT document_sha256_check CHECK ((length(sha256) = 32)),
    CONSTRAINT document_size_check CHECK ((size > 0))
);

COMMENT ON TABLE public.document IS 'A file kept with a lot, a batch, a product, a complaint or a recall: certificate of analysis, safety data sheet, delivery note, photo.';

CREATE TABLE public.document_chunk (
    workshop_id uuid NOT NULL,
    document_id uuid NOT NULL,
    n integer NOT NULL,
    data bytea NOT NULL
);

COMMENT ON TABLE public.document_chunk IS 'The bytes of a document in pieces of at most 256 KiB.';

CREATE TABLE public.entry_key (
    workshop_id uuid NOT NULL,
    key uuid NOT NULL,
    payload bytea NOT NULL,
    change_id uuid NOT NULL,
    result text DEFAULT ''::text NOT NULL,
    CONSTRAINT entry_key_payload_check CHECK ((length(payload) = 32))
);

COMMENT ON TABLE public.entry_key IS 'A form is stored once, however often it is sent: the key minted into it, the SHA-256 of what it said, and what came of it.';

CREATE TABLE public.equipment (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL,
    kind text NOT NULL,
    place text DEFAULT ''::text NOT NULL,
    readability_g numeric,
    min_load_g numeric,
    max_load_g numeric,
    check_days integer,
    clean_before_use boolean DEFAULT false NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    retired_at timestamp with time zone,
    change_id uuid NOT NULL,
    CONSTRAINT equipment_check_days_check CHECK (((check_days >= 1) AND (check_days <= 3660))),
    CONSTRAINT equipment_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT equipment_kind_check CHECK ((kind = ANY (ARRAY['scale'::text, 'vessel'::text, 'mould'::text, 'dehumidifier'::text, 'thermometer'::text, 'other'::text]))),
    CONSTRAINT equipment_load CHECK (((min_load_g IS NULL) OR (max_load_g IS NULL) OR (min_load_g < max_load_g))),
    CONSTRAINT equipment_max_load_g_check CHECK ((max_load_g > (0)::numeric)),
    CONSTRAINT equipment_min_load_g_check CHECK ((min_load_g >= (0)::numeric)),
    CONSTRAINT equipment_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200))),
    CONSTRAINT equipment_note_check CHECK ((length(note) <= 1000)),
    CONSTRAINT equipment_place_check CHECK ((length(place) <= 80)),
    CONSTRAINT equipment_readability_g_check CHECK ((readability_g > (0)::numeric)),
    CONSTRAINT equipment_scale CHECK (((kind <> 'scale'::text) OR (readability_g IS NOT NULL)))
);

COMMENT ON TABLE public.equipment IS 'A scale, vessel, mould, dehumidifier or thermometer that a batch names.';

COMMENT ON COLUMN public.equipment.readability_g IS 'For a scale: its smallest step in g.';

COMMENT ON COLUMN public.equipment.min_load_g IS 'For a scale: below this it is not trusted; empty where not stated.';

COMMENT ON COLUMN public.equipment.check_days IS 'Its check is due so many days after the last one; empty where none is kept.';

COMMENT ON COLUMN public.equipment.clean_before_use IS 'The bench asks that it is clean before a batch uses it.';

CREATE TABLE public.formula (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL,
    letters text NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT formula_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT formula_letters_check CHECK ((letters ~ '^[A-Z]{1,4}$'::text)),
    CONSTRAINT formula_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200)))
);

COMMENT ON TABLE public.formula IS 'How something is made, across its numbered versions. Owns the letters of its batch codes.';

CREATE TABLE public.formula_version (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    formula_id uuid NOT NULL,
    number integer NOT NULL,
    status text NOT NULL,
    nominal_g numeric NOT NULL,
    tolerance_pct numeric NOT NULL,
    tolerance_g numeric DEFAULT 0 NOT NULL,
    expected_loss_pct numeric DEFAULT 0 NOT NULL,
    reconciliation_pct numeric NOT NULL,
    min_c numeric,
    max_c numeric,
    min_rh_pct numeric,
    max_rh_pct numeric,
    cure_hours integer DEFAULT 0 NOT NULL,
    cure_word text DEFAULT 'cure'::text NOT NULL,
    yields text DEFAULT 'units'::text NOT NULL,
    bulk_months integer,
    caution text DEFAULT ''::text NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    content_hash bytea,
    approved_by uuid,
    approved_at timestamp with time zone,
    change_id uuid,
    CONSTRAINT formula_version_approved CHECK (((status = 'draft'::text) OR ((approved_by IS NOT NULL) AND (approved_at IS NOT NULL) AND (content_hash IS NOT NULL) AND (change_id IS NOT NULL)))),
    CONSTRAINT formula_version_bulk_months_check CHECK (((bulk_months >= 1) AND (bulk_months <= 600))),
    CONSTRAINT formula_version_content_hash_check CHECK ((length(content_hash) = 32)),
    CONSTRAINT formula_version_cure_hours_check CHECK (((cure_hours >= 0) AND (cure_hours <= 20000))),
    CONSTRAINT formula_version_cure_word_check CHECK ((cure_word = ANY (ARRAY['cure'::text, 'dry'::text, 'set'::text]))),
    CONSTRAINT formula_version_expected_loss_pct_check CHECK (((expected_loss_pct >= (0)::numeric) AND (expected_loss_pct < (100)::numeric))),
    CONSTRAINT formula_version_max_rh_pct_check CHECK (((max_rh_pct >= (0)::numeric) AND (max_rh_pct <= (100)::numeric))),
    CONSTRAINT formula_version_min_rh_pct_check CHECK (((min_rh_pct >= (0)::numeric) AND (min_rh_pct <= (100)::numeric))),
    CONSTRAINT formula_version_nominal_g_check CHECK ((nominal_g > (0)::numeric)),
    CONSTRAINT formula_version_number_check CHECK ((number > 0)),
    CONSTRAINT formula_version_reconciliation_pct_check CHECK (((reconciliation_pct >= (0)::numeric) AND (reconciliation_pct <= (100)::numeric))),
    CONSTRAINT formula_version_status_check CHECK ((status = ANY (ARRAY['draft'::text, 'approved'::text, 'retired'::text]))),
    CONSTRAINT formula_version_tolerance_g_check CHECK ((tolerance_g >= (0)::numeric)),
    CONSTRAINT formula_version_tolerance_pct_check CHECK (((tolerance_pct >= (0)::numeric) AND (tolerance_pct <= (100)::numeric))),
    CONSTRAINT formula_version_yields_check CHECK ((yields = ANY (ARRAY['units'::text, 'bulk'::text])))
);

COMMENT ON TABLE public.formula_version IS 'One numbered version; a draft may be edited, an approved one never is.';

COMMENT ON COLUMN public.formula_version.nominal_g IS 'The batch mass in g that amounts by weight refer to.';

COMMENT ON COLUMN public.formula_version.cure_hours IS 'Shortest time between moulding and packing; 0 where nothing has to cure.';

COMMENT ON COLUMN public.formula_version.yields IS 'bulk: an intermediate that other batches draw from, not packed for sale.';

COMMENT ON COLUMN public.formula_version.bulk_months IS 'For bulk: months from making until it must be used.';

COMMENT ON COLUMN public.formula_version.content_hash IS 'SHA-256 of the canonical content at approval; verify computes it anew.';

CREATE TABLE public.hold (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    packing_id uuid NOT NULL,
    return_id uuid,
    units integer,
    reason text NOT NULL,
    placed_at timestamp with time zone NOT NULL,
    lifted_at timestamp with time zone,
    lift_reason text,
    change_id uuid NOT NULL,
    recall_id uuid,
    CONSTRAINT hold_lift_reason_check CHECK (((length(lift_reason) >= 1) AND (length(lift_reason) <= 1000))),
    CONSTRAINT hold_lifted CHECK (((lifted_at IS NULL) = (lift_reason IS NULL))),
    CONSTRAINT hold_of_recall_is_whole CHECK (((recall_id IS NULL) OR (units IS NULL))),
    CONSTRAINT hold_reason_check CHECK (((length(reason) >= 1) AND (length(reason) <= 1000))),
    CONSTRAINT hold_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.hold IS 'Units that may not leave for now; they stay on hand.';

COMMENT ON COLUMN public.hold.units IS 'Empty for all units of the packing.';

COMMENT ON COLUMN public.hold.recall_id IS 'The recall that placed it: all units, also those that come back. Only an owner lifts it.';

CREATE TABLE public.import_chunk (
    workshop_id uuid NOT NULL,
    job_id uuid NOT NULL,
    n integer NOT NULL,
    data bytea NOT NULL
);

COMMENT ON TABLE public.import_chunk IS 'The bytes of a file to import in pieces of at most 256 KiB, until it was applied or dropped or is a day old.';

CREATE TABLE public.import_job (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    made_by uuid NOT NULL,
    made_at timestamp with time zone DEFAULT clock_timestamp() NOT NULL,
    file_name text NOT NULL,
    size bigint NOT NULL,
    sha256 bytea NOT NULL,
    zipped boolean NOT NULL,
    table_name text DEFAULT ''::text NOT NULL,
    update_changed boolean NOT NULL,
    state text DEFAULT 'waiting'::text NOT NULL,
    run uuid,
    progress_table text DEFAULT ''::text NOT NULL,
    progress_rows bigint DEFAULT 0 NOT NULL,
    beat_at timestamp with time zone,
    report jsonb,
    faults bigint DEFAULT 0 NOT NULL,
    words text DEFAULT ''::text NOT NULL,
    sheet jsonb,
    made_from uuid,
    origin jsonb,
    CONSTRAINT import_job_faults_check CHECK ((faults >= 0)),
    CONSTRAINT import_job_file_name_check CHECK (((length(file_name) >= 1) AND (length(file_name) <= 200))),
    CONSTRAINT import_job_origin_made CHECK (((made_from IS NULL) = (origin IS NULL))),
    CONSTRAINT import_job_progress_table_check CHECK ((progress_table ~ '^[a-z_]*$'::text)),
    CONSTRAINT import_job_run_beats CHECK (((state <> ALL (ARRAY['previewing'::text, 'applying'::text])) OR ((run IS NOT NULL) AND (beat_at IS NOT NULL)))),
    CONSTRAINT import_job_sha256_check CHECK ((length(sha256) = 32)),
    CONSTRAINT import_job_size_check CHECK ((size > 0)),
    CONSTRAINT import_job_state_check CHECK ((state = ANY (ARRAY['waiting'::text, 'previewing'::text, 'previewed'::text, 'applying'::text, 'applied'::text, 'failed'::text, 'dropped'::text]))),
    CONSTRAINT import_job_table_name_check CHECK ((table_name ~ '^[a-z_]*$'::text))
);

COMMENT ON TABLE public.import_job IS 'A file to import, looked through before anything is saved. No record: the import itself is the change, with the file''s name and SHA-256 as its reason.';

COMMENT ON COLUMN public.import_job.id IS 'The entry key of the form that sent the file, so that it is kept once.';

COMMENT ON COLUMN public.import_job.zipped IS 'A zip of tables; else one table.';

COMMENT ON COLUMN public.import_job.table_name IS 'Of one table: which. Empty for a zip, and until somebody said so.';

COMMENT ON COLUMN public.import_job.update_changed IS 'Rows that are there with other values are changed; else they are faults.';

COMMENT ON COLUMN public.import_job.run IS 'Who works on it: taken anew by whoever takes the job, so that one that was thought dead writes nothing over the next.';

COMMENT ON COLUMN public.import_job.beat_at IS 'When the run was last heard of; one that is silent for a minute broke off.';

COMMENT ON COLUMN public.import_job.report IS 'What was found, counted by table, with the first faults.';

COMMENT ON COLUMN public.import_job.faults IS 'How many there are in all: one is enough that nothing is saved.';

COMMENT ON COLUMN public.import_job.words IS 'Why it failed, in words.';

COMMENT ON COLUMN public.import_job.sheet IS 'A spreadsheet with headings of its own, and how it is read: its sheet, the row of the headings, what divides columns. Never imported as it is: a table is made from it.';

COMMENT ON COLUMN public.import_job.made_from IS 'The spreadsheet that this table was made from, whose rows have the same numbers.';

COMMENT ON COLUMN public.import_job.origin IS 'What the spreadsheet calls the table''s columns, and the spreadsheet''s SHA-256: faults and the reason of the change speak of what the maker has.';

CREATE TABLE public.import_mapping (
    workshop_id uuid NOT NULL,
    table_name text NOT NULL,
    headings_key bytea NOT NULL,
    choices jsonb NOT NULL,
    used_by uuid NOT NULL,
    used_at timestamp with time zone DEFAULT clock_timestamp() NOT NULL,
    CONSTRAINT import_mapping_headings_key_check CHECK ((length(headings_key) = 32)),
    CONSTRAINT import_mapping_table_name_check CHECK ((table_name ~ '^[a-z_]+$'::text))
);

COMMENT ON TABLE public.import_mapping IS 'What was said the last time about the columns of a spreadsheet, offered for the next with the same headings. No record: it only fills in a form.';

COMMENT ON COLUMN public.import_mapping.headings_key IS 'SHA-256 of the set of headings, folded, in whatever order.';

COMMENT ON COLUMN public.import_mapping.choices IS 'By heading: the column of the table, how dates and numbers are written, what words stand for; and values for all rows.';

COMMENT ON COLUMN public.import_mapping.used_at IS 'When a table was last made so.';

CREATE TABLE public.log_entry (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    kind text NOT NULL,
    equipment_id uuid,
    about text DEFAULT ''::text NOT NULL,
    happened_at timestamp with time zone NOT NULL,
    result text NOT NULL,
    words text DEFAULT ''::text NOT NULL,
    reference_g numeric,
    shown_g numeric,
    tolerance_g numeric,
    next_on date,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT log_entry_about CHECK (((equipment_id IS NOT NULL) OR (about <> ''::text))),
    CONSTRAINT log_entry_about_check CHECK ((length(about) <= 200)),
    CONSTRAINT log_entry_kind_check CHECK ((kind = ANY (ARRAY['cleaning'::text, 'check'::text, 'maintenance'::text, 'pest'::text, 'water'::text, 'training'::text, 'other'::text]))),
    CONSTRAINT log_entry_mass CHECK ((((reference_g IS NULL) = (shown_g IS NULL)) AND ((reference_g IS NULL) = (tolerance_g IS NULL)))),
    CONSTRAINT log_entry_reference_g_check CHECK ((reference_g > (0)::numeric)),
    CONSTRAINT log_entry_result_check CHECK ((result = ANY (ARRAY['fine'::text, 'attention'::text, 'failed'::text]))),
    CONSTRAINT log_entry_tolerance_g_check CHECK ((tolerance_g >= (0)::numeric)),
    CONSTRAINT log_entry_words_check CHECK ((length(words) <= 1000))
);

COMMENT ON TABLE public.log_entry IS 'The workshop''s log: cleaning, checks of equipment, pests, water, training. Who is in its change.';

COMMENT ON COLUMN public.log_entry.about IS 'What or who it was about where it is no equipment: "Bench and sink", "Mains tap", a name.';

COMMENT ON COLUMN public.log_entry.reference_g IS 'For the check of a scale: the mass put on it, in g; shown_g is what it showed.';

COMMENT ON COLUMN public.log_entry.tolerance_g IS 'How far off it might be and still pass, as the form stated it.';

COMMENT ON COLUMN public.log_entry.next_on IS 'When the same is due next: the last day on which this entry still holds.';

COMMENT ON COLUMN public.log_entry.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.lot_input (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    lot_id uuid NOT NULL,
    source_lot_id uuid NOT NULL,
    quantity numeric NOT NULL,
    happened_on date NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT lot_input_not_itself CHECK ((lot_id <> source_lot_id)),
    CONSTRAINT lot_input_quantity_check CHECK ((quantity >= (0)::numeric))
);

COMMENT ON TABLE public.lot_input IS 'A tub filled or topped up from a lot.';

COMMENT ON COLUMN public.lot_input.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn. Current values read WHERE replaced_by IS NULL.';

CREATE TABLE public.lot_retest (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    lot_id uuid NOT NULL,
    done_on date NOT NULL,
    passed boolean NOT NULL,
    words text NOT NULL,
    next_on date,
    was_on date,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT lot_retest_words_check CHECK (((length(words) >= 1) AND (length(words) <= 1000)))
);

COMMENT ON TABLE public.lot_retest IS 'A lot looked at again on or after its retest date: result, and when it is due next.';

COMMENT ON COLUMN public.lot_retest.was_on IS 'The lot''s retest date before this look, which stands again where the entry is withdrawn.';

COMMENT ON COLUMN public.lot_retest.replaced_by IS 'The retest that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.material_lot (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    material_id uuid NOT NULL,
    supplier_id uuid,
    supplier_lot text DEFAULT ''::text NOT NULL,
    supplier_lot_key text DEFAULT ''::text NOT NULL COLLATE pg_catalog."C",
    received_on date NOT NULL,
    expires_on date,
    retest_on date,
    quantity numeric NOT NULL,
    unit_cost numeric,
    delivery_note text DEFAULT ''::text NOT NULL,
    status text NOT NULL,
    recalled boolean DEFAULT false NOT NULL,
    opened_on date,
    emptied_on date,
    origin text DEFAULT 'bench'::text NOT NULL,
    change_id uuid NOT NULL,
    typed text,
    tub text,
    washed_on date,
    CONSTRAINT material_lot_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT material_lot_origin_check CHECK ((origin = ANY (ARRAY['bench'::text, 'history'::text]))),
    CONSTRAINT material_lot_quantity_check CHECK ((quantity >= (0)::numeric)),
    CONSTRAINT material_lot_status_check CHECK ((status = ANY (ARRAY['quarantined'::text, 'released'::text, 'rejected'::text]))),
    CONSTRAINT material_lot_supplier_lot_check CHECK ((length(supplier_lot) <= 80)),
    CONSTRAINT material_lot_tub_check CHECK (((length(tub) >= 1) AND (length(tub) <= 80))),
    CONSTRAINT material_lot_typed_check CHECK (((length(typed) >= 1) AND (length(typed) <= 80))),
    CONSTRAINT material_lot_unit_cost_check CHECK ((unit_cost >= (0)::numeric))
);

COMMENT ON TABLE public.material_lot IS 'One delivery of one material from one supplier, or a tub filled from lots. The receipt is the quantity of the row.';

COMMENT ON COLUMN public.material_lot.supplier_lot_key IS 'The supplier''s lot folded: the same lot may arrive several times.';

COMMENT ON COLUMN public.material_lot.quantity IS 'Received, in the material''s unit. A tub''s is 0: what it holds came in by lot_input.';

COMMENT ON COLUMN public.material_lot.recalled IS 'In an open recall: unusable whatever its status.';

COMMENT ON COLUMN public.material_lot.typed IS 'The amount as written on the delivery, where it was in another unit: "5 lb", "2.5 l".';

COMMENT ON COLUMN public.material_lot.tub IS 'For a lot that stands in a tub filled from other lots: what the maker calls the tub.';

COMMENT ON COLUMN public.material_lot.washed_on IS 'The tub was emptied and washed: what is filled in after that is another lot.';

CREATE TABLE public.packing_input (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    packing_id uuid NOT NULL,
    material_lot_id uuid NOT NULL,
    quantity numeric NOT NULL,
    spoiled numeric DEFAULT 0 NOT NULL,
    happened_at timestamp with time zone,
    replaced_by uuid,
    change_id uuid NOT NULL,
    issued numeric,
    returned numeric,
    CONSTRAINT packing_input_issued_check CHECK ((issued >= (0)::numeric)),
    CONSTRAINT packing_input_quantity_check CHECK ((quantity >= (0)::numeric)),
    CONSTRAINT packing_input_returned_check CHECK ((returned >= (0)::numeric)),
    CONSTRAINT packing_input_spoiled CHECK ((spoiled <= quantity)),
    CONSTRAINT packing_input_spoiled_check CHECK ((spoiled >= (0)::numeric))
);

COMMENT ON TABLE public.packing_input IS 'Packaging taken from a lot for a packing: used and spoiled together. A ledger row.';

COMMENT ON COLUMN public.packing_input.quantity IS 'Issued less returned: used + spoiled, in the material''s unit.';

COMMENT ON COLUMN public.packing_input.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

COMMENT ON COLUMN public.packing_input.issued IS 'Taken to the packing table, in the material''s unit; empty where it was not counted.';

COMMENT ON COLUMN public.packing_input.returned IS 'Put back on the shelf. issued - returned - quantity is not accounted for.';

CREATE TABLE public.stock_move (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    lot_id uuid NOT NULL,
    moved_on date NOT NULL,
    quantity numeric NOT NULL,
    reason text NOT NULL,
    more_than_recorded boolean DEFAULT false NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT stock_move_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT stock_move_quantity_check CHECK ((quantity <> (0)::numeric)),
    CONSTRAINT stock_move_reason_check CHECK ((reason = ANY (ARRAY['adjust'::text, 'write_off'::text])))
);

COMMENT ON TABLE public.stock_move IS 'A lot counted, adjusted or written off: signed quantity in the material''s unit.';

COMMENT ON COLUMN public.stock_move.more_than_recorded IS 'Booked by an entry that drew more than the book held: the oil in the bowl is in the bowl.';

COMMENT ON COLUMN public.stock_move.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

CREATE VIEW public.lot_stock WITH (security_invoker='true') AS
 SELECT l.workshop_id,
    l.id AS lot_id,
    (l.quantity + COALESCE(f.quantity, (0)::numeric)) AS received,
    ((COALESCE(i.quantity, (0)::numeric) + COALESCE(p.quantity, (0)::numeric)) + COALESCE(o.quantity, (0)::numeric)) AS drawn,
    COALESCE(m.quantity, (0)::numeric) AS moved,
    (((((l.quantity + COALESCE(f.quantity, (0)::numeric)) - COALESCE(i.quantity, (0)::numeric)) - COALESCE(p.quantity, (0)::numeric)) - COALESCE(o.quantity, (0)::numeric)) + COALESCE(m.quantity, (0)::numeric)) AS on_hand
   FROM (((((public.material_lot l
     CROSS JOIN LATERAL ( SELECT sum(x.quantity) AS quantity
           FROM public.lot_input x
          WHERE ((x.workshop_id = l.workshop_id) AND (x.lot_id = l.id) AND (x.replaced_by IS NULL))) f)
     CROSS JOIN LATERAL ( SELECT sum(x.quantity) AS quantity
           FROM public.lot_input x
          WHERE ((x.workshop_id = l.workshop_id) AND (x.source_lot_id = l.id) AND (x.replaced_by IS NULL))) o)
     CROSS JOIN LATERAL ( SELECT sum(x.quantity) AS quantity
           FROM public.batch_input x
          WHERE ((x.workshop_id = l.workshop_id) AND (x.material_lot_id = l.id) AND (x.replaced_by IS NULL))) i)
     CROSS JOIN LATERAL ( SELECT sum(x.quantity) AS quantity
           FROM public.packing_input x
          WHERE ((x.workshop_id = l.workshop_id) AND (x.material_lot_id = l.id) AND (x.replaced_by IS NULL))) p)
     CROSS JOIN LATERAL ( SELECT sum(x.quantity) AS quantity
           FROM public.stock_move x
          WHERE ((x.workshop_id = l.workshop_id) AND (x.lot_id = l.id) AND (x.replaced_by IS NULL))) m);

COMMENT ON VIEW public.lot_stock IS 'A lot''s ledger summed, in its material''s unit: received, drawn, moved, on hand. Only current entries count.';

CREATE TABLE public.mail_log (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    recall_id uuid NOT NULL,
    customer_id uuid NOT NULL,
    text_id uuid NOT NULL,
    address text NOT NULL,
    personal_key bytea NOT NULL,
    message_id text NOT NULL,
    tried_at timestamp with time zone NOT NULL,
    outcome text NOT NULL,
    said text,
    told_id uuid,
    change_id uuid NOT NULL,
    CONSTRAINT mail_log_address_check CHECK ((length(address) <= 254)),
    CONSTRAINT mail_log_message_id_check CHECK (((length(message_id) >= 1) AND (length(message_id) <= 254))),
    CONSTRAINT mail_log_outcome_check CHECK ((outcome = ANY (ARRAY['trying'::text, 'sent'::text, 'failed'::text]))),
    CONSTRAINT mail_log_personal_key_check CHECK ((length(personal_key) = 32)),
    CONSTRAINT mail_log_said_check CHECK ((length(said) <= 1000))
);

COMMENT ON TABLE public.mail_log IS 'An e-mail of a recall to a customer: written down before it is handed over, so that none is sent twice.';

COMMENT ON COLUMN public.mail_log.address IS 'Where it went, as it stood in the book then.';

COMMENT ON COLUMN public.mail_log.outcome IS 'trying: handed over, and no answer stored; whether it went is not known then.';

COMMENT ON COLUMN public.mail_log.said IS 'What the mail server answered.';

COMMENT ON COLUMN public.mail_log.told_id IS 'The entry that the customer was told by it.';

CREATE TABLE public.material (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL,
    kind text NOT NULL,
    unit text NOT NULL,
    inci_name text DEFAULT ''::text NOT NULL,
    cas_number text DEFAULT ''::text NOT NULL,
    density_g_per_ml numeric,
    tracked boolean DEFAULT true NOT NULL,
    source_note text DEFAULT ''::text NOT NULL,
    expiry_counts boolean DEFAULT true NOT NULL,
    caution text DEFAULT ''::text NOT NULL,
    retired_at timestamp with time zone,
    change_id uuid NOT NULL,
    is_label boolean,
    CONSTRAINT material_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT material_density_g_per_ml_check CHECK ((density_g_per_ml > (0)::numeric)),
    CONSTRAINT material_kind_check CHECK ((kind = ANY (ARRAY['raw'::text, 'packaging'::text]))),
    CONSTRAINT material_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200))),
    CONSTRAINT material_unit_check CHECK ((unit = ANY (ARRAY['g'::text, 'ml'::text, 'each'::text])))
);

COMMENT ON TABLE public.material IS 'A raw or packaging material, counted in g, ml or each.';

COMMENT ON COLUMN public.material.tracked IS 'False for water and the like: source_note says where it comes from, and no lots are kept.';

COMMENT ON COLUMN public.material.expiry_counts IS 'Whether the expiry of its lots caps a product''s best-before; packaging does not.';

COMMENT ON COLUMN public.material.caution IS 'The usual caution, from the supplier''s safety data sheet, shown where the hand is.';

COMMENT ON COLUMN public.material.is_label IS 'Packaging that is a label: what a packing takes of it counts its labels. Empty where nobody was asked.';

CREATE TABLE public.method_step (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    version_id uuid NOT NULL,
    portion_id uuid,
    "position" integer NOT NULL,
    text text NOT NULL,
    caution text DEFAULT ''::text NOT NULL,
    CONSTRAINT method_step_caution_check CHECK ((length(caution) <= 1000)),
    CONSTRAINT method_step_text_check CHECK (((length(text) >= 1) AND (length(text) <= 1000)))
);

COMMENT ON TABLE public.method_step IS 'A step of the method: after the lines of its portion, or after all portions.';

CREATE TABLE public.one_time_link (
    workshop_id uuid NOT NULL,
    token_hash bytea NOT NULL,
    purpose text NOT NULL,
    person_id uuid,
    expires_at timestamp with time zone NOT NULL,
    used_at timestamp with time zone,
    CONSTRAINT one_time_link_person CHECK (((purpose = 'set_up'::text) = (person_id IS NULL))),
    CONSTRAINT one_time_link_purpose_check CHECK ((purpose = ANY (ARRAY['set_up'::text, 'password'::text, 'sign_in'::text]))),
    CONSTRAINT one_time_link_token_hash_check CHECK ((length(token_hash) = 32))
);

COMMENT ON TABLE public.one_time_link IS 'Links that work once: set up the workshop, set a password, sign in.';

CREATE TABLE public.packing (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    n integer NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    code_key text NOT NULL COLLATE pg_catalog."C",
    product_id uuid NOT NULL,
    packed_on date NOT NULL,
    packed_at timestamp with time zone,
    units_good integer NOT NULL,
    units_retained integer DEFAULT 0 NOT NULL,
    best_before date,
    date_precision text DEFAULT 'day'::text NOT NULL,
    opened_months integer,
    date_reason text DEFAULT ''::text NOT NULL,
    printed text DEFAULT ''::text NOT NULL,
    status text NOT NULL,
    cleared boolean DEFAULT false NOT NULL,
    label_checked boolean DEFAULT false NOT NULL,
    label_specimen text DEFAULT ''::text NOT NULL,
    labels_used integer,
    decided_at timestamp with time zone,
    signature_id uuid,
    change_id uuid NOT NULL,
    labels_issued integer,
    labels_spoiled integer,
    labels_returned integer,
    packaging_note text,
    takes jsonb,
    CONSTRAINT packing_code_check CHECK (((length(code) >= 1) AND (length(code) <= 20))),
    CONSTRAINT packing_code_key_check CHECK ((code_key <> ''::text)),
    CONSTRAINT packing_date_precision_check CHECK ((date_precision = ANY (ARRAY['day'::text, 'month'::text]))),
    CONSTRAINT packing_label_specimen_check CHECK ((length(label_specimen) <= 2000)),
    CONSTRAINT packing_labels_issued_check CHECK ((labels_issued >= 0)),
    CONSTRAINT packing_labels_returned_check CHECK ((labels_returned >= 0)),
    CONSTRAINT packing_labels_spoiled_check CHECK ((labels_spoiled >= 0)),
    CONSTRAINT packing_labels_used_check CHECK ((labels_used >= 0)),
    CONSTRAINT packing_n_check CHECK ((n > 0)),
    CONSTRAINT packing_packaging_note_check CHECK (((length(packaging_note) >= 1) AND (length(packaging_note) <= 1000))),
    CONSTRAINT packing_status_check CHECK ((status = ANY (ARRAY['quarantined'::text, 'released'::text, 'rejected'::text]))),
    CONSTRAINT packing_units_good_check CHECK ((units_good >= 0)),
    CONSTRAINT packing_units_retained_check CHECK ((units_retained >= 0))
);

COMMENT ON TABLE public.packing IS 'Units of one product packed from one batch on one day: its own counts, best-before and release.';

COMMENT ON COLUMN public.packing.code_key IS 'Folded code. The first packing of a batch has the batch''s own code.';

COMMENT ON COLUMN public.packing.date_reason IS 'Which rule decided the date, in words, as it was decided.';

COMMENT ON COLUMN public.packing.printed IS 'The date as printed on the label. It never moves by itself.';

COMMENT ON COLUMN public.packing.packaging_note IS 'Why packaging or labels do not add up, as explained before release.';

COMMENT ON COLUMN public.packing.takes IS 'What a unit took of each packaging material when it was packed: [{"material": id, "per_unit": "1"}]. The product may change later; empty for packings written before this was kept.';

CREATE TABLE public.unit_move (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    packing_id uuid NOT NULL,
    moved_on date NOT NULL,
    units integer NOT NULL,
    reason text NOT NULL,
    more_than_recorded boolean DEFAULT false NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT unit_move_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT unit_move_note_check CHECK ((length(note) <= 1000)),
    CONSTRAINT unit_move_reason_check CHECK ((reason = ANY (ARRAY['tester'::text, 'broken'::text, 'gift'::text, 'own_use'::text, 'count'::text]))),
    CONSTRAINT unit_move_units_check CHECK ((units <> 0))
);

COMMENT ON TABLE public.unit_move IS 'Units leaving or entering without a dispatch: signed number and reason. A ledger row.';

COMMENT ON COLUMN public.unit_move.more_than_recorded IS 'Booked by a dispatch that had already left with more than the book held.';

COMMENT ON COLUMN public.unit_move.replaced_by IS 'The move that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.unit_return (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    dispatch_id uuid,
    packing_id uuid NOT NULL,
    returned_on date NOT NULL,
    units integer NOT NULL,
    disposition text NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT unit_return_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT unit_return_disposition_check CHECK ((disposition = ANY (ARRAY['restock'::text, 'hold'::text, 'destroy'::text]))),
    CONSTRAINT unit_return_note_check CHECK ((length(note) <= 1000)),
    CONSTRAINT unit_return_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.unit_return IS 'Units that came back: to stock, on hold, or destroyed. The dispatch may not be known. A ledger row.';

COMMENT ON COLUMN public.unit_return.replaced_by IS 'The return that corrects this one; its own id where it was withdrawn.';

CREATE VIEW public.packing_stock WITH (security_invoker='true') AS
 SELECT p.workshop_id,
    p.id AS packing_id,
    p.units_good,
    (COALESCE(d.units, (0)::bigint))::integer AS dispatched,
    (COALESCE(r.units, (0)::bigint))::integer AS returned,
    (COALESCE(r.back, (0)::bigint))::integer AS returned_back,
    (COALESCE(r.destroyed, (0)::bigint))::integer AS destroyed,
    (COALESCE(u.units, (0)::numeric))::integer AS used,
    (COALESCE(m.units, (0)::bigint))::integer AS moved,
    ((((((p.units_good - COALESCE(d.units, (0)::bigint)) + COALESCE(r.back, (0)::bigint)))::numeric - COALESCE(u.units, (0)::numeric)) + (COALESCE(m.units, (0)::bigint))::numeric))::integer AS on_hand,
        CASE
            WHEN h.whole THEN ((((((p.units_good - COALESCE(d.units, (0)::bigint)) + COALESCE(r.back, (0)::bigint)))::numeric - COALESCE(u.units, (0)::numeric)) + (COALESCE(m.units, (0)::bigint))::numeric))::integer
            ELSE (COALESCE(h.units, (0)::bigint))::integer
        END AS held
   FROM (((((public.packing p
     CROSS JOIN LATERAL ( SELECT sum(l.units) AS units
           FROM public.dispatch_line l
          WHERE ((l.workshop_id = p.workshop_id) AND (l.packing_id = p.id) AND (l.replaced_by IS NULL))) d)
     CROSS JOIN LATERAL ( SELECT sum(x.units) AS units,
            sum(x.units) FILTER (WHERE (x.disposition <> 'destroy'::text)) AS back,
            sum(x.units) FILTER (WHERE (x.disposition = 'destroy'::text)) AS destroyed
           FROM public.unit_return x
          WHERE ((x.workshop_id = p.workshop_id) AND (x.packing_id = p.id) AND (x.replaced_by IS NULL))) r)
     CROSS JOIN LATERAL ( SELECT sum(i.quantity) AS units
           FROM public.batch_input i
          WHERE ((i.workshop_id = p.workshop_id) AND (i.source_batch_id = p.batch_id) AND (i.source_packing_id = p.id) AND (i.unit = 'each'::text) AND (i.replaced_by IS NULL))) u)
     CROSS JOIN LATERAL ( SELECT sum(v.units) AS units
           FROM public.unit_move v
          WHERE ((v.workshop_id = p.workshop_id) AND (v.packing_id = p.id) AND (v.replaced_by IS NULL))) m)
     CROSS JOIN LATERAL ( SELECT bool_or((k.units IS NULL)) AS whole,
            sum(k.units) AS units
           FROM public.hold k
          WHERE ((k.workshop_id = p.workshop_id) AND (k.packing_id = p.id) AND (k.lifted_at IS NULL))) h);

COMMENT ON VIEW public.packing_stock IS 'Units of a packing: good, dispatched, returned, used, moved, on hand, held. Only current entries count.';

CREATE TABLE public.person (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    email text NOT NULL,
    email_key text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL,
    role text NOT NULL,
    password_hash text,
    personal_key bytea NOT NULL,
    disabled_at timestamp with time zone,
    change_id uuid NOT NULL,
    CONSTRAINT person_email_check CHECK (((length(email) >= 3) AND (length(email) <= 254))),
    CONSTRAINT person_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200))),
    CONSTRAINT person_personal_key_check CHECK ((length(personal_key) = 32)),
    CONSTRAINT person_role_check CHECK ((role = ANY (ARRAY['viewer'::text, 'helper'::text, 'maker'::text, 'owner'::text])))
);

COMMENT ON TABLE public.person IS 'Somebody who signs in. Every entry names one; there are no shared names.';

COMMENT ON COLUMN public.person.email_key IS 'The address folded to lower case: what sign-in looks up.';

COMMENT ON COLUMN public.person.personal_key IS 'Key of the hashes that stand for this person''s values in the audit trail.';

CREATE TABLE public.plan (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    version_id uuid NOT NULL,
    product_id uuid,
    units integer,
    mass_g numeric NOT NULL,
    planned_on date NOT NULL,
    place text DEFAULT ''::text NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    made_by uuid,
    CONSTRAINT plan_mass_g_check CHECK ((mass_g > (0)::numeric)),
    CONSTRAINT plan_note_check CHECK ((length(note) <= 1000)),
    CONSTRAINT plan_place_check CHECK ((length(place) <= 80)),
    CONSTRAINT plan_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.plan IS 'A batch that is meant, not yet begun: no record, no code. Starting turns it into a batch and removes it.';

CREATE TABLE public.portion (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    version_id uuid NOT NULL,
    "position" integer NOT NULL,
    name text NOT NULL,
    basis text NOT NULL,
    amount numeric DEFAULT 0 NOT NULL,
    CONSTRAINT portion_amount_check CHECK ((amount >= (0)::numeric)),
    CONSTRAINT portion_basis_check CHECK ((basis = ANY (ARRAY['share'::text, 'weight'::text, 'inner'::text]))),
    CONSTRAINT portion_name_check CHECK (((length(name) >= 1) AND (length(name) <= 100)))
);

COMMENT ON TABLE public.portion IS 'What is weighed and mixed together, such as one colour.';

COMMENT ON COLUMN public.portion.basis IS 'share: amount is % of the batch; weight: g per nominal batch; inner: used only inside other portions.';

CREATE TABLE public.portion_line (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    version_id uuid NOT NULL,
    portion_id uuid NOT NULL,
    "position" integer NOT NULL,
    kind text NOT NULL,
    material_id uuid,
    inner_portion_id uuid,
    bulk_formula_id uuid,
    basis text NOT NULL,
    amount numeric DEFAULT 0 NOT NULL,
    as_needed boolean DEFAULT false NOT NULL,
    low_g numeric,
    high_g numeric,
    max_pct numeric,
    CONSTRAINT portion_line_amount_check CHECK ((amount >= (0)::numeric)),
    CONSTRAINT portion_line_basis_check CHECK ((basis = ANY (ARRAY['share'::text, 'weight'::text]))),
    CONSTRAINT portion_line_high_g_check CHECK ((high_g >= (0)::numeric)),
    CONSTRAINT portion_line_kind_check CHECK ((kind = ANY (ARRAY['material'::text, 'portion'::text, 'bulk'::text]))),
    CONSTRAINT portion_line_low_g_check CHECK ((low_g >= (0)::numeric)),
    CONSTRAINT portion_line_max_pct_check CHECK (((max_pct > (0)::numeric) AND (max_pct <= (100)::numeric))),
    CONSTRAINT portion_line_of CHECK ((((kind = 'material'::text) AND (material_id IS NOT NULL) AND (inner_portion_id IS NULL) AND (bulk_formula_id IS NULL)) OR ((kind = 'portion'::text) AND (inner_portion_id IS NOT NULL) AND (material_id IS NULL) AND (bulk_formula_id IS NULL)) OR ((kind = 'bulk'::text) AND (bulk_formula_id IS NOT NULL) AND (material_id IS NULL) AND (inner_portion_id IS NULL)))),
    CONSTRAINT portion_line_range CHECK (((NOT as_needed) OR ((low_g IS NOT NULL) AND (high_g IS NOT NULL) AND (low_g <= high_g))))
);

COMMENT ON TABLE public.portion_line IS 'One ingredient of a portion: a material, a share of another portion, or the bulk of another batch.';

COMMENT ON COLUMN public.portion_line.amount IS '% of its portion, or g per nominal batch; 0 for an as-needed line.';

COMMENT ON COLUMN public.portion_line.as_needed IS 'Outside the 100 %: between low_g and high_g per nominal batch, as the mass asks for it.';

COMMENT ON COLUMN public.portion_line.max_pct IS 'Limit of use in % of the batch; rounding never lifts a target over it.';

CREATE TABLE public.product (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL,
    formula_id uuid,
    net_content_g numeric,
    fill_g numeric,
    shelf_life_months integer,
    shelf_life_days integer,
    shelf_life_from text,
    cap_by_expiry boolean DEFAULT true NOT NULL,
    date_precision text DEFAULT 'day'::text NOT NULL,
    opened_months integer,
    grade text DEFAULT ''::text NOT NULL,
    label_text text DEFAULT ''::text NOT NULL,
    retired_at timestamp with time zone,
    change_id uuid NOT NULL,
    letters text,
    us_soap text,
    gtin text COLLATE pg_catalog."C",
    CONSTRAINT product_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT product_date_precision_check CHECK ((date_precision = ANY (ARRAY['day'::text, 'month'::text]))),
    CONSTRAINT product_fill_g_check CHECK ((fill_g > (0)::numeric)),
    CONSTRAINT product_grade_check CHECK ((length(grade) <= 40)),
    CONSTRAINT product_gtin_digits CHECK ((gtin ~ '^([0-9]{8}|[0-9]{12}|[0-9]{13}|[0-9]{14})$'::text)),
    CONSTRAINT product_label_text_check CHECK ((length(label_text) <= 4000)),
    CONSTRAINT product_letters_check CHECK ((letters ~ '^[A-Z]{1,4}$'::text)),
    CONSTRAINT product_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200))),
    CONSTRAINT product_net_content_g_check CHECK ((net_content_g > (0)::numeric)),
    CONSTRAINT product_opened_months_check CHECK (((opened_months >= 1) AND (opened_months <= 120))),
    CONSTRAINT product_shelf_life_days_check CHECK (((shelf_life_days >= 1) AND (shelf_life_days <= 20000))),
    CONSTRAINT product_shelf_life_from_check CHECK ((shelf_life_from = ANY (ARRAY['made'::text, 'cured'::text, 'packed'::text]))),
    CONSTRAINT product_shelf_life_months_check CHECK (((shelf_life_months >= 1) AND (shelf_life_months <= 600))),
    CONSTRAINT product_us_soap_check CHECK ((us_soap = ANY (ARRAY['soap'::text, 'cosmetic'::text])))
);

COMMENT ON TABLE public.product IS 'What is sold: grade or size, net content, shelf-life rule, packaging per unit, label particulars.';

COMMENT ON COLUMN public.product.fill_g IS 'Nominal fill at making in g a unit, where drying makes it more than the net content; theoretical units count with it.';

COMMENT ON COLUMN public.product.opened_months IS 'Period after opening, printed instead of a date where minimum durability is over 30 months.';

COMMENT ON COLUMN public.product.letters IS 'For a set: the letters of its batch codes, as a formula owns those of what is made.';

COMMENT ON COLUMN public.product.us_soap IS 'In the USA only soap (21 CFR 701.20) or a cosmetic, as the workshop says; empty where nobody said.';

COMMENT ON COLUMN public.product.gtin IS 'The product''s GTIN as it stands on its label, 8, 12, 13 or 14 digits; empty where it has none. The check digit is checked where it is typed.';

CREATE TABLE public.product_packaging (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    product_id uuid NOT NULL,
    material_id uuid NOT NULL,
    per_unit numeric NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT product_packaging_per_unit_check CHECK ((per_unit > (0)::numeric))
);

COMMENT ON TABLE public.product_packaging IS 'Packaging material for one unit of a product.';

COMMENT ON COLUMN public.product_packaging.replaced_by IS 'The row that replaces this one; its own id where it was taken off.';

CREATE TABLE public.product_part (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    product_id uuid NOT NULL,
    part_id uuid NOT NULL,
    per_unit integer NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT product_part_not_itself CHECK ((product_id <> part_id)),
    CONSTRAINT product_part_per_unit_check CHECK ((per_unit > 0))
);

COMMENT ON TABLE public.product_part IS 'What one set holds: so many units of another product.';

COMMENT ON COLUMN public.product_part.replaced_by IS 'The row that replaces this one; its own id where it was taken off.';

CREATE TABLE public.recall (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    n integer NOT NULL,
    drill boolean NOT NULL,
    level text NOT NULL,
    title text NOT NULL,
    reason text NOT NULL,
    hazard text DEFAULT ''::text NOT NULL,
    to_do text DEFAULT ''::text NOT NULL,
    remedy text DEFAULT ''::text NOT NULL,
    contact text DEFAULT ''::text NOT NULL,
    opened_at timestamp with time zone NOT NULL,
    opened_on date NOT NULL,
    target_minutes integer,
    listed_at timestamp with time zone,
    closed_at timestamp with time zone,
    close_note text,
    signature_id uuid,
    change_id uuid NOT NULL,
    drawn boolean,
    CONSTRAINT recall_close_note_check CHECK (((length(close_note) >= 1) AND (length(close_note) <= 2000))),
    CONSTRAINT recall_closed CHECK ((num_nonnulls(closed_at, close_note, signature_id) = ANY (ARRAY[0, 3]))),
    CONSTRAINT recall_contact_check CHECK ((length(contact) <= 1000)),
    CONSTRAINT recall_drawn CHECK ((drill OR (drawn IS NOT TRUE))),
    CONSTRAINT recall_drill_target CHECK ((drill OR ((target_minutes IS NULL) AND (listed_at IS NULL)))),
    CONSTRAINT recall_hazard_check CHECK ((length(hazard) <= 2000)),
    CONSTRAINT recall_level_check CHECK ((level = ANY (ARRAY['consumer'::text, 'stockist'::text, 'stock'::text]))),
    CONSTRAINT recall_n_check CHECK ((n > 0)),
    CONSTRAINT recall_reason_check CHECK (((length(reason) >= 1) AND (length(reason) <= 2000))),
    CONSTRAINT recall_remedy_check CHECK ((length(remedy) <= 2000)),
    CONSTRAINT recall_target_minutes_check CHECK (((target_minutes >= 1) AND (target_minutes <= 100000))),
    CONSTRAINT recall_title_check CHECK (((length(title) >= 1) AND (length(title) <= 200))),
    CONSTRAINT recall_to_do_check CHECK ((length(to_do) <= 2000))
);

COMMENT ON TABLE public.recall IS 'Tracing, blocking, telling and counting back; a drill is the same without blocking and telling.';

COMMENT ON COLUMN public.recall.n IS 'Number of the recall in this workshop; drills are counted with the recalls.';

COMMENT ON COLUMN public.recall.level IS 'How far it reaches: back from consumers, from stockists, or stock only.';

COMMENT ON COLUMN public.recall.hazard IS 'What can happen, for the public notice: plainly, without softening words.';

COMMENT ON COLUMN public.recall.to_do IS 'What somebody who has such a unit is asked to do.';

COMMENT ON COLUMN public.recall.remedy IS 'What is offered: repair, replacement, refund.';

COMMENT ON COLUMN public.recall.contact IS 'Where to turn to.';

COMMENT ON COLUMN public.recall.target_minutes IS 'A drill''s target from start to full list, as the workshop had set it.';

COMMENT ON COLUMN public.recall.listed_at IS 'A drill''s list was complete: looked through, and its stock counted.';

COMMENT ON COLUMN public.recall.drawn IS 'A drill''s lot was drawn at random by the program. Empty is no.';

CREATE TABLE public.recall_answer (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    recall_id uuid NOT NULL,
    customer_id uuid NOT NULL,
    answered_on date NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT recall_answer_note_check CHECK ((length(note) <= 1000))
);

COMMENT ON TABLE public.recall_answer IS 'A customer answered; what it said of its units stands in recall_count under the same change.';

COMMENT ON COLUMN public.recall_answer.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.recall_count (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    recall_id uuid NOT NULL,
    customer_id uuid NOT NULL,
    packing_id uuid NOT NULL,
    kind text NOT NULL,
    units integer NOT NULL,
    counted_on date NOT NULL,
    return_id uuid,
    note text DEFAULT ''::text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT recall_count_kind_check CHECK ((kind = ANY (ARRAY['returned'::text, 'destroyed'::text, 'used'::text, 'sold'::text]))),
    CONSTRAINT recall_count_note_check CHECK ((length(note) <= 1000)),
    CONSTRAINT recall_count_return CHECK (((kind = 'returned'::text) = (return_id IS NOT NULL))),
    CONSTRAINT recall_count_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.recall_count IS 'Units of a packing counted back from a customer: returned here, destroyed there, already used, or sold on.';

COMMENT ON COLUMN public.recall_count.return_id IS 'The return that brought the units back into the book; stored with it.';

COMMENT ON COLUMN public.recall_count.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.recall_line (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    recall_id uuid NOT NULL,
    line_id uuid NOT NULL,
    packing_id uuid NOT NULL,
    customer_id uuid NOT NULL,
    units integer NOT NULL,
    returned integer NOT NULL,
    added_at timestamp with time zone NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT recall_line_returned_check CHECK ((returned >= 0)),
    CONSTRAINT recall_line_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.recall_line IS 'The list of a recall as it was frozen: units of a packing in a dispatch, and what of them had come back by then.';

CREATE VIEW public.recall_list WITH (security_invoker='true') AS
 SELECT DISTINCT ON (l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id) l.workshop_id,
    l.recall_id,
    e.dispatch_id,
    l.packing_id,
    l.customer_id,
    l.units,
    l.returned,
    l.added_at,
    (e.replaced_by IS NOT NULL) AS gone,
    first_value(l.returned) OVER (PARTITION BY l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id ORDER BY l.added_at, l.id) AS returned_before
   FROM (public.recall_line l
     JOIN public.dispatch_line e ON (((e.workshop_id = l.workshop_id) AND (e.id = l.line_id))))
  ORDER BY l.workshop_id, l.recall_id, e.dispatch_id, l.packing_id, l.added_at DESC, l.id DESC;

COMMENT ON VIEW public.recall_list IS 'The frozen list of a recall, one row for each dispatch and packing: units, what had come back by then, and whether the dispatch''s line was corrected or withdrawn since.';

CREATE TABLE public.recall_origin (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    recall_id uuid NOT NULL,
    kind text NOT NULL,
    said text NOT NULL,
    lot_id uuid,
    batch_id uuid,
    packing_id uuid,
    complaint_id uuid,
    change_id uuid NOT NULL,
    CONSTRAINT recall_origin_kind_check CHECK ((kind = ANY (ARRAY['lot'::text, 'supplier_lot'::text, 'batch'::text, 'packing'::text, 'complaint'::text]))),
    CONSTRAINT recall_origin_of CHECK ((num_nonnulls(lot_id, batch_id, packing_id) = 1)),
    CONSTRAINT recall_origin_said_check CHECK (((length(said) >= 1) AND (length(said) <= 200)))
);

COMMENT ON TABLE public.recall_origin IS 'What a recall starts from: a lot, each delivery of a supplier''s lot, packaging, a batch, a packing.';

COMMENT ON COLUMN public.recall_origin.said IS 'What was asked for, as it was written: a code, or a supplier''s lot with its supplier.';

COMMENT ON COLUMN public.recall_origin.complaint_id IS 'The complaint that it was opened from; beside the batch or packing that this was about.';

CREATE TABLE public.recall_scope (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    recall_id uuid NOT NULL,
    lot_id uuid,
    batch_id uuid,
    packing_id uuid,
    units_good integer,
    units_dispatched integer,
    units_returned integer,
    units_destroyed integer,
    units_used integer,
    units_moved integer,
    units_on_hand integer,
    added_at timestamp with time zone NOT NULL,
    counted integer,
    change_id uuid NOT NULL,
    counted_book integer,
    CONSTRAINT recall_scope_counted_book CHECK (((counted_book IS NULL) OR (counted IS NOT NULL))),
    CONSTRAINT recall_scope_counted_check CHECK ((counted >= 0)),
    CONSTRAINT recall_scope_of CHECK ((num_nonnulls(lot_id, batch_id, packing_id) = 1)),
    CONSTRAINT recall_scope_units CHECK ((num_nonnulls(units_good, units_dispatched, units_returned, units_destroyed, units_used, units_moved, units_on_hand) =
CASE
    WHEN (packing_id IS NULL) THEN 0
    ELSE 7
END))
);

COMMENT ON TABLE public.recall_scope IS 'What a recall covers, frozen when it was opened: lots and tubs, batches, packings with their ledger as it stood.';

COMMENT ON COLUMN public.recall_scope.added_at IS 'When it came in: at the opening, or later, where entries made since reach further.';

COMMENT ON COLUMN public.recall_scope.counted IS 'Units found on the shelf when somebody went and counted them for the recall.';

COMMENT ON COLUMN public.recall_scope.counted_book IS 'On hand by the book at the moment it was counted for a drill, which blocks nothing: units may have left since it began.';

CREATE TABLE public.recall_text (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    recall_id uuid NOT NULL,
    kind text NOT NULL,
    subject text DEFAULT ''::text NOT NULL,
    body text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT recall_text_body_check CHECK (((length(body) >= 1) AND (length(body) <= 20000))),
    CONSTRAINT recall_text_kind_check CHECK ((kind = ANY (ARRAY['letter'::text, 'email'::text, 'shop_notice'::text, 'web_text'::text]))),
    CONSTRAINT recall_text_subject_check CHECK ((length(subject) <= 200))
);

COMMENT ON TABLE public.recall_text IS 'A text that tells of a recall, as somebody saved it; without one the draft from the recall''s facts stands.';

COMMENT ON COLUMN public.recall_text.subject IS 'Of an e-mail; empty for the others.';

COMMENT ON COLUMN public.recall_text.replaced_by IS 'The text that was saved after it; its own id where the draft was taken again.';

CREATE TABLE public.recall_told (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    recall_id uuid NOT NULL,
    customer_id uuid NOT NULL,
    told_at timestamp with time zone NOT NULL,
    how text NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT recall_told_how_check CHECK ((how = ANY (ARRAY['telephone'::text, 'email'::text, 'letter'::text, 'in_person'::text, 'notice'::text]))),
    CONSTRAINT recall_told_note_check CHECK ((length(note) <= 1000))
);

COMMENT ON TABLE public.recall_told IS 'A customer was told of a recall: when, how; by whom says the change.';

COMMENT ON COLUMN public.recall_told.how IS 'notice: a public one, for the buyers of an event, who are not known by name.';

COMMENT ON COLUMN public.recall_told.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.reject (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    packing_id uuid,
    stage text NOT NULL,
    reason text DEFAULT ''::text NOT NULL,
    units integer NOT NULL,
    mass_g numeric,
    happened_at timestamp with time zone,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT reject_mass_g_check CHECK ((mass_g >= (0)::numeric)),
    CONSTRAINT reject_reason_check CHECK ((length(reason) <= 200)),
    CONSTRAINT reject_stage_check CHECK ((stage = ANY (ARRAY['cut'::text, 'cure_end'::text, 'packing'::text]))),
    CONSTRAINT reject_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.reject IS 'Units that did not pass, by reason and stage.';

COMMENT ON COLUMN public.reject.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.rework (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    formula_id uuid NOT NULL,
    what text NOT NULL,
    grams numeric NOT NULL,
    reason text NOT NULL,
    signature_id uuid NOT NULL,
    withdrawn_at timestamp with time zone,
    change_id uuid NOT NULL,
    CONSTRAINT rework_grams_check CHECK ((grams > (0)::numeric)),
    CONSTRAINT rework_reason_check CHECK (((length(reason) >= 1) AND (length(reason) <= 1000))),
    CONSTRAINT rework_what_check CHECK ((what = ANY (ARRAY['rejects'::text, 'left_over'::text])))
);

COMMENT ON TABLE public.rework IS 'Leave, signed for, to draw so much rejected or left-over product of a batch into a later batch of a formula.';

CREATE TABLE public.sample (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    packing_id uuid NOT NULL,
    units integer NOT NULL,
    place text NOT NULL,
    taken_on date NOT NULL,
    keep_until date,
    note text DEFAULT ''::text NOT NULL,
    ended_on date,
    ended_note text,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT sample_ended CHECK (((ended_on IS NULL) = (ended_note IS NULL))),
    CONSTRAINT sample_ended_note_check CHECK (((length(ended_note) >= 1) AND (length(ended_note) <= 1000))),
    CONSTRAINT sample_note_check CHECK ((length(note) <= 1000)),
    CONSTRAINT sample_place_check CHECK (((length(place) >= 1) AND (length(place) <= 80))),
    CONSTRAINT sample_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.sample IS 'Where units kept back from a packing lie, and how long they are kept.';

COMMENT ON COLUMN public.sample.units IS 'Of the packing''s units_retained, never of those for sale.';

COMMENT ON COLUMN public.sample.replaced_by IS 'The row that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.sample_check (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    sample_id uuid NOT NULL,
    looked_on date NOT NULL,
    result text NOT NULL,
    words text DEFAULT ''::text NOT NULL,
    units_used integer DEFAULT 0 NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT sample_check_result_check CHECK ((result = ANY (ARRAY['as_made'::text, 'changed'::text, 'spoiled'::text]))),
    CONSTRAINT sample_check_units_used_check CHECK ((units_used >= 0)),
    CONSTRAINT sample_check_words_check CHECK ((length(words) <= 1000))
);

COMMENT ON TABLE public.sample_check IS 'A retained sample inspected later: how it is, and how many units were used up by it.';

COMMENT ON COLUMN public.sample_check.replaced_by IS 'The inspection that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.search_key (
    workshop_id uuid NOT NULL,
    key text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL,
    target_id uuid NOT NULL,
    CONSTRAINT search_key_kind_check CHECK ((kind = ANY (ARRAY['batch'::text, 'packing'::text, 'lot'::text, 'supplier_lot'::text, 'material'::text, 'product'::text, 'formula'::text, 'customer'::text, 'supplier'::text, 'dispatch'::text, 'equipment'::text, 'crate'::text])))
);

COMMENT ON TABLE public.search_key IS 'Folded words and codes that the look-up box finds by prefix: row-level security lets only plain text ranges use an index.';

CREATE TABLE public.session (
    workshop_id uuid NOT NULL,
    token_hash bytea NOT NULL,
    id uuid NOT NULL,
    person_id uuid NOT NULL,
    device text DEFAULT ''::text NOT NULL,
    created_at timestamp with time zone NOT NULL,
    seen_at timestamp with time zone NOT NULL,
    CONSTRAINT session_token_hash_check CHECK ((length(token_hash) = 32))
);

COMMENT ON TABLE public.session IS 'Who is signed in where. The cookie holds the token, the table only its SHA-256.';

CREATE TABLE public.signature (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    person_id uuid NOT NULL,
    printed_name text NOT NULL,
    personal_key bytea NOT NULL,
    meaning text NOT NULL,
    subject text NOT NULL,
    subject_id uuid NOT NULL,
    local_time text NOT NULL,
    content text NOT NULL,
    content_hash bytea NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT signature_content_hash_check CHECK ((length(content_hash) = 32)),
    CONSTRAINT signature_hash CHECK ((content_hash = sha256(convert_to(content, 'UTF8'::name)))),
    CONSTRAINT signature_meaning_check CHECK ((meaning = ANY (ARRAY['made'::text, 'checked'::text, 'approved'::text, 'released'::text, 'rejected'::text, 'closed'::text]))),
    CONSTRAINT signature_personal_key_check CHECK ((length(personal_key) = 32))
);

COMMENT ON TABLE public.signature IS 'Who signed what, with which meaning: the canonical content that was signed and its SHA-256.';

CREATE TABLE public.stage_mass (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    stage text NOT NULL,
    units integer NOT NULL,
    grams numeric NOT NULL,
    typed text DEFAULT ''::text NOT NULL,
    happened_at timestamp with time zone NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT stage_mass_grams_check CHECK ((grams > (0)::numeric)),
    CONSTRAINT stage_mass_stage_check CHECK ((stage = ANY (ARRAY['cut'::text, 'cure_end'::text, 'packing'::text]))),
    CONSTRAINT stage_mass_typed_check CHECK ((length(typed) <= 200)),
    CONSTRAINT stage_mass_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.stage_mass IS 'So many units weighed together at a stage: their mean is the mean weight of that stage.';

COMMENT ON COLUMN public.stage_mass.replaced_by IS 'The weighing that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.step_tick (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    batch_id uuid NOT NULL,
    step_id uuid NOT NULL,
    note text DEFAULT ''::text NOT NULL,
    happened_at timestamp with time zone NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT step_tick_note_check CHECK ((length(note) <= 1000))
);

COMMENT ON TABLE public.step_tick IS 'A step of the method done: by whom and when.';

COMMENT ON COLUMN public.step_tick.replaced_by IS 'Its own id where the tick was a mis-tap.';

CREATE TABLE public.supplier (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL,
    email text DEFAULT ''::text NOT NULL,
    phone text DEFAULT ''::text NOT NULL,
    address text DEFAULT ''::text NOT NULL,
    personal_key bytea NOT NULL,
    change_id uuid NOT NULL,
    CONSTRAINT supplier_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT supplier_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200))),
    CONSTRAINT supplier_personal_key_check CHECK ((length(personal_key) = 32))
);

COMMENT ON TABLE public.supplier IS 'Who delivers lots.';

CREATE TABLE public.throttle (
    key text NOT NULL COLLATE pg_catalog."C",
    starts_at timestamp with time zone NOT NULL,
    tries integer NOT NULL
);

COMMENT ON TABLE public.throttle IS 'Counts of tries in a window, for sign-in, look-up and upload. In the database because any number of copies may serve.';

CREATE VIEW public.told_change WITH (security_barrier='true') AS
 SELECT c.workshop_id,
    c.id,
    c.at,
    c.kind,
    c.actor,
    c.person_id,
    c.role,
    c.device,
    c.request_id,
    c.reason,
    c.within
   FROM public.change c
  WHERE ((c.within IS NOT NULL) AND (c.workshop_id = public.current_workshop()))
  WITH CASCADED CHECK OPTION;

COMMENT ON VIEW public.told_change IS 'Changes that files told of, of this workshop: the only way in for one.';

CREATE TABLE public.unit_code (
    workshop_id uuid NOT NULL,
    id uuid NOT NULL,
    code text NOT NULL COLLATE pg_catalog."C",
    code_key text NOT NULL COLLATE pg_catalog."C",
    packing_id uuid NOT NULL,
    kind text NOT NULL,
    units integer,
    reason text NOT NULL,
    noted_on date NOT NULL,
    replaced_by uuid,
    change_id uuid NOT NULL,
    CONSTRAINT unit_code_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT unit_code_code_key_check CHECK ((code_key <> ''::text)),
    CONSTRAINT unit_code_kind_check CHECK ((kind = ANY (ARRAY['mix_up'::text, 'relabelled'::text, 'misprint'::text]))),
    CONSTRAINT unit_code_reason_check CHECK (((length(reason) >= 1) AND (length(reason) <= 1000))),
    CONSTRAINT unit_code_units_check CHECK ((units > 0))
);

COMMENT ON TABLE public.unit_code IS 'Units of a packing that bear another code than its own: a mix-up of labels, a relabelling, a misprint.';

COMMENT ON COLUMN public.unit_code.code IS 'What stands on the units; it may be the code of another packing.';

COMMENT ON COLUMN public.unit_code.units IS 'How many, empty where nobody knows.';

COMMENT ON COLUMN public.unit_code.replaced_by IS 'The entry that corrects this one; its own id where it was withdrawn.';

CREATE TABLE public.workshop (
    id uuid NOT NULL,
    code text NOT NULL,
    name text NOT NULL,
    zone text DEFAULT 'UTC'::text NOT NULL,
    code_pattern text DEFAULT '{letters}-{yyddd}-{nn}{check}'::text NOT NULL,
    soon_days integer DEFAULT 60 NOT NULL,
    readability_g numeric DEFAULT 0.1 NOT NULL,
    min_load_g numeric DEFAULT 0 NOT NULL,
    is_demo boolean DEFAULT false NOT NULL,
    named boolean DEFAULT false NOT NULL,
    mass_unit text DEFAULT 'g'::text NOT NULL,
    temp_unit text DEFAULT 'C'::text NOT NULL,
    date_style text DEFAULT 'dmy'::text NOT NULL,
    drill_minutes integer,
    contact text,
    markets text,
    us_small_business boolean,
    CONSTRAINT workshop_code_check CHECK (((length(code) >= 1) AND (length(code) <= 40))),
    CONSTRAINT workshop_contact_check CHECK ((length(contact) <= 1000)),
    CONSTRAINT workshop_date_style_check CHECK ((date_style = ANY (ARRAY['dmy'::text, 'mdy'::text, 'iso'::text]))),
    CONSTRAINT workshop_drill_minutes_check CHECK (((drill_minutes >= 1) AND (drill_minutes <= 100000))),
    CONSTRAINT workshop_markets_check CHECK ((markets = ANY (ARRAY['eu'::text, 'uk'::text, 'us'::text, 'eu,uk'::text, 'eu,us'::text, 'uk,us'::text, 'eu,uk,us'::text]))),
    CONSTRAINT workshop_mass_unit_check CHECK ((mass_unit = ANY (ARRAY['g'::text, 'oz'::text]))),
    CONSTRAINT workshop_min_load_g_check CHECK ((min_load_g >= (0)::numeric)),
    CONSTRAINT workshop_name_check CHECK (((length(name) >= 1) AND (length(name) <= 200))),
    CONSTRAINT workshop_readability_g_check CHECK ((readability_g > (0)::numeric)),
    CONSTRAINT workshop_soon_days_check CHECK (((soon_days >= 1) AND (soon_days <= 730))),
    CONSTRAINT workshop_temp_unit_check CHECK ((temp_unit = ANY (ARRAY['C'::text, 'F'::text])))
);

COMMENT ON TABLE public.workshop IS 'One maker''s business: the tenant. The only table of content without workshop_id.';

COMMENT ON COLUMN public.workshop.zone IS 'IANA name; dates are counted and times shown in it.';

COMMENT ON COLUMN public.workshop.soon_days IS 'A lot or a packing whose date is within so many days is listed as expiring soon.';

COMMENT ON COLUMN public.workshop.readability_g IS 'Smallest step of the workshop''s scale in g; targets are rounded to it.';

COMMENT ON COLUMN public.workshop.min_load_g IS 'Below this the workshop''s scale is not trusted; 0 for not stated.';

COMMENT ON COLUMN public.workshop.named IS 'False until the set-up page has named the workshop.';

COMMENT ON COLUMN public.workshop.mass_unit IS 'g: pages show g and kg; oz: ounces and pounds (avoirdupois). The book keeps g.';

COMMENT ON COLUMN public.workshop.temp_unit IS 'C or F on pages; the book keeps degrees Celsius.';

COMMENT ON COLUMN public.workshop.date_style IS 'dmy: 14 Mar 2026; mdy: Mar 14, 2026; iso: 2026-03-14. On labels and pages; the book keeps dates.';

COMMENT ON COLUMN public.workshop.drill_minutes IS 'From the start of a drill to its full list, as the workshop wants to manage it; empty where none is set.';

COMMENT ON COLUMN public.workshop.contact IS 'Name, address, telephone and e-mail as they stand under a letter or a notice.';

COMMENT ON COLUMN public.workshop.markets IS 'Where it sells: eu, uk, us, apart by commas in this order; empty where nobody said.';

COMMENT ON COLUMN public.workshop.us_small_business IS 'As the workshop says, a small business in the sense of the US cosmetics law; empty where nobody said.';

ALTER TABLE ONLY public.api_token
    ADD CONSTRAINT api_token_hash_key UNIQUE (workshop_id, token_hash);

ALTER TABLE ONLY public.api_token
    ADD CONSTRAINT api_token_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.api_token_use
    ADD CONSTRAINT api_token_use_pkey PRIMARY KEY (workshop_id, token_id);

ALTER TABLE ONLY public.audit
    ADD CONSTRAINT audit_pkey PRIMARY KEY (workshop_id, n);

ALTER TABLE ONLY public.backup_note
    ADD CONSTRAINT backup_note_pkey PRIMARY KEY (workshop_id);

ALTER TABLE ONLY public.batch_climate
    ADD CONSTRAINT batch_climate_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.batch
    ADD CONSTRAINT batch_code_unique UNIQUE (workshop_id, code_key);

ALTER TABLE ONLY public.batch_equipment
    ADD CONSTRAINT batch_equipment_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.batch_line
    ADD CONSTRAINT batch_line_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.batch_line
    ADD CONSTRAINT batch_line_position_key UNIQUE (workshop_id, batch_id, "position");

ALTER TABLE ONLY public.batch
    ADD CONSTRAINT batch_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.bulk_move
    ADD CONSTRAINT bulk_move_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.chain_head
    ADD CONSTRAINT chain_head_pkey PRIMARY KEY (workshop_id);

ALTER TABLE ONLY public.chain_link
    ADD CONSTRAINT chain_link_once UNIQUE (workshop_id, change_id);

ALTER TABLE ONLY public.chain_link
    ADD CONSTRAINT chain_link_pkey PRIMARY KEY (workshop_id, n);

ALTER TABLE ONLY public.change
    ADD CONSTRAINT change_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.climate_reading
    ADD CONSTRAINT climate_reading_pkey PRIMARY KEY (workshop_id, place, taken_at);

ALTER TABLE ONLY public.code_counter
    ADD CONSTRAINT code_counter_pkey PRIMARY KEY (workshop_id, scope);

ALTER TABLE ONLY public.code_near
    ADD CONSTRAINT code_near_pkey PRIMARY KEY (workshop_id, near_key, code);

ALTER TABLE ONLY public.code_pattern
    ADD CONSTRAINT code_pattern_pkey PRIMARY KEY (workshop_id, pattern);

ALTER TABLE ONLY public.complaint_entry
    ADD CONSTRAINT complaint_entry_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.complaint
    ADD CONSTRAINT complaint_n_key UNIQUE (workshop_id, n);

ALTER TABLE ONLY public.complaint
    ADD CONSTRAINT complaint_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.control
    ADD CONSTRAINT control_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.control
    ADD CONSTRAINT control_position_key UNIQUE (workshop_id, version_id, "position") DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.control_reading
    ADD CONSTRAINT control_reading_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.crate
    ADD CONSTRAINT crate_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.crate_line
    ADD CONSTRAINT crate_line_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.crate
    ADD CONSTRAINT crate_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.cure_weighing
    ADD CONSTRAINT cure_weighing_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.customer
    ADD CONSTRAINT customer_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.customer
    ADD CONSTRAINT customer_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_n_key UNIQUE (workshop_id, n);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.dispatch
    ADD CONSTRAINT dispatch_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.dispatch_line
    ADD CONSTRAINT dispatch_line_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.dispatch
    ADD CONSTRAINT dispatch_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.document_chunk
    ADD CONSTRAINT document_chunk_pkey PRIMARY KEY (workshop_id, document_id, n);

ALTER TABLE ONLY public.document
    ADD CONSTRAINT document_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.entry_key
    ADD CONSTRAINT entry_key_pkey PRIMARY KEY (workshop_id, key);

ALTER TABLE ONLY public.equipment
    ADD CONSTRAINT equipment_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.equipment
    ADD CONSTRAINT equipment_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.formula
    ADD CONSTRAINT formula_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.formula
    ADD CONSTRAINT formula_letters_key UNIQUE (workshop_id, letters);

ALTER TABLE ONLY public.formula
    ADD CONSTRAINT formula_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.formula_version
    ADD CONSTRAINT formula_version_number_key UNIQUE (workshop_id, formula_id, number);

ALTER TABLE ONLY public.formula_version
    ADD CONSTRAINT formula_version_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.hold
    ADD CONSTRAINT hold_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.import_chunk
    ADD CONSTRAINT import_chunk_pkey PRIMARY KEY (workshop_id, job_id, n);

ALTER TABLE ONLY public.import_job
    ADD CONSTRAINT import_job_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.import_mapping
    ADD CONSTRAINT import_mapping_pkey PRIMARY KEY (workshop_id, table_name, headings_key);

ALTER TABLE ONLY public.log_entry
    ADD CONSTRAINT log_entry_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.lot_input
    ADD CONSTRAINT lot_input_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.lot_retest
    ADD CONSTRAINT lot_retest_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.mail_log
    ADD CONSTRAINT mail_log_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.material
    ADD CONSTRAINT material_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.material_lot
    ADD CONSTRAINT material_lot_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.material_lot
    ADD CONSTRAINT material_lot_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.material
    ADD CONSTRAINT material_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.method_step
    ADD CONSTRAINT method_step_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.method_step
    ADD CONSTRAINT method_step_position_key UNIQUE (workshop_id, version_id, "position") DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.one_time_link
    ADD CONSTRAINT one_time_link_pkey PRIMARY KEY (workshop_id, token_hash);

ALTER TABLE ONLY public.packing
    ADD CONSTRAINT packing_code_unique UNIQUE (workshop_id, code_key);

ALTER TABLE ONLY public.packing_input
    ADD CONSTRAINT packing_input_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.packing
    ADD CONSTRAINT packing_n_key UNIQUE (workshop_id, batch_id, n);

ALTER TABLE ONLY public.packing
    ADD CONSTRAINT packing_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.person
    ADD CONSTRAINT person_email_key UNIQUE (workshop_id, email_key);

ALTER TABLE ONLY public.person
    ADD CONSTRAINT person_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.plan
    ADD CONSTRAINT plan_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.portion_line
    ADD CONSTRAINT portion_line_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.portion_line
    ADD CONSTRAINT portion_line_position_key UNIQUE (workshop_id, portion_id, "position") DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.portion
    ADD CONSTRAINT portion_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.portion
    ADD CONSTRAINT portion_position_key UNIQUE (workshop_id, version_id, "position") DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.portion
    ADD CONSTRAINT portion_version_key UNIQUE (workshop_id, version_id, id);

ALTER TABLE ONLY public.product
    ADD CONSTRAINT product_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.product_packaging
    ADD CONSTRAINT product_packaging_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.product_part
    ADD CONSTRAINT product_part_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.product
    ADD CONSTRAINT product_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.recall_answer
    ADD CONSTRAINT recall_answer_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.recall_count
    ADD CONSTRAINT recall_count_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.recall_line
    ADD CONSTRAINT recall_line_once UNIQUE (workshop_id, recall_id, line_id);

ALTER TABLE ONLY public.recall_line
    ADD CONSTRAINT recall_line_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.recall
    ADD CONSTRAINT recall_n_key UNIQUE (workshop_id, n);

ALTER TABLE ONLY public.recall_origin
    ADD CONSTRAINT recall_origin_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.recall
    ADD CONSTRAINT recall_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.recall_scope
    ADD CONSTRAINT recall_scope_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.recall_text
    ADD CONSTRAINT recall_text_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.recall_told
    ADD CONSTRAINT recall_told_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.reject
    ADD CONSTRAINT reject_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.rework
    ADD CONSTRAINT rework_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.sample_check
    ADD CONSTRAINT sample_check_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.sample
    ADD CONSTRAINT sample_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.search_key
    ADD CONSTRAINT search_key_pkey PRIMARY KEY (workshop_id, kind, key, target_id);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_id_key UNIQUE (workshop_id, id);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_pkey PRIMARY KEY (workshop_id, token_hash);

ALTER TABLE ONLY public.signature
    ADD CONSTRAINT signature_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.stage_mass
    ADD CONSTRAINT stage_mass_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.step_tick
    ADD CONSTRAINT step_tick_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.stock_move
    ADD CONSTRAINT stock_move_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.supplier
    ADD CONSTRAINT supplier_code_key UNIQUE (workshop_id, code);

ALTER TABLE ONLY public.supplier
    ADD CONSTRAINT supplier_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.throttle
    ADD CONSTRAINT throttle_pkey PRIMARY KEY (key);

ALTER TABLE ONLY public.unit_code
    ADD CONSTRAINT unit_code_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.unit_move
    ADD CONSTRAINT unit_move_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.unit_return
    ADD CONSTRAINT unit_return_pkey PRIMARY KEY (workshop_id, id);

ALTER TABLE ONLY public.workshop
    ADD CONSTRAINT workshop_code_key UNIQUE (code);

ALTER TABLE ONLY public.workshop
    ADD CONSTRAINT workshop_pkey PRIMARY KEY (id);

CREATE UNIQUE INDEX api_token_name_key ON public.api_token USING btree (workshop_id, name) WHERE (revoked_at IS NULL);

CREATE INDEX audit_by_change ON public.audit USING btree (workshop_id, change_id, n);

CREATE INDEX audit_by_row ON public.audit USING btree (workshop_id, table_name, row_id, n);

CREATE INDEX batch_by_formula ON public.batch USING btree (workshop_id, formula_id, made_on);

CREATE INDEX batch_by_made ON public.batch USING btree (workshop_id, made_on, id);

CREATE INDEX batch_climate_by_batch ON public.batch_climate USING btree (workshop_id, batch_id);

CREATE INDEX batch_equipment_by_batch ON public.batch_equipment USING btree (workshop_id, batch_id);

CREATE INDEX batch_equipment_by_equipment ON public.batch_equipment USING btree (workshop_id, equipment_id, happened_at);

CREATE INDEX batch_input_by_batch ON public.batch_input USING btree (workshop_id, batch_id);

CREATE INDEX batch_input_by_lot ON public.batch_input USING btree (workshop_id, material_lot_id) WHERE (material_lot_id IS NOT NULL);

CREATE INDEX batch_input_by_rework ON public.batch_input USING btree (workshop_id, rework_id) WHERE (rework_id IS NOT NULL);

CREATE INDEX batch_input_by_scale ON public.batch_input USING btree (workshop_id, scale_id, happened_at) WHERE (scale_id IS NOT NULL);

CREATE INDEX batch_input_by_source ON public.batch_input USING btree (workshop_id, source_batch_id) WHERE (source_batch_id IS NOT NULL);

CREATE INDEX batch_input_by_source_packing ON public.batch_input USING btree (workshop_id, source_packing_id) WHERE (source_packing_id IS NOT NULL);

CREATE INDEX batch_open ON public.batch USING btree (workshop_id, status) WHERE (status = ANY (ARRAY['making'::text, 'curing'::text, 'packing'::text, 'quarantined'::text]));

CREATE INDEX bulk_move_by_batch ON public.bulk_move USING btree (workshop_id, batch_id) WHERE (replaced_by IS NULL);

CREATE INDEX change_at ON public.change USING btree (workshop_id, at, id);

CREATE INDEX change_told ON public.change USING btree (workshop_id, within) WHERE (within IS NOT NULL);

CREATE INDEX complaint_by_customer ON public.complaint USING btree (workshop_id, customer_id) WHERE (customer_id IS NOT NULL);

CREATE INDEX complaint_by_packing ON public.complaint USING btree (workshop_id, packing_id) WHERE (packing_id IS NOT NULL);

CREATE INDEX complaint_by_product ON public.complaint USING btree (workshop_id, product_id) WHERE (product_id IS NOT NULL);

CREATE INDEX complaint_entry_by_complaint ON public.complaint_entry USING btree (workshop_id, complaint_id);

CREATE INDEX complaint_open ON public.complaint USING btree (workshop_id, n) WHERE (closed_at IS NULL);

CREATE INDEX control_reading_by_batch ON public.control_reading USING btree (workshop_id, batch_id);

CREATE INDEX crate_by_day ON public.crate USING btree (workshop_id, event_on, id);

CREATE UNIQUE INDEX crate_line_once ON public.crate_line USING btree (workshop_id, crate_id, packing_id) WHERE (replaced_by IS NULL);

CREATE INDEX crate_open ON public.crate USING btree (workshop_id, status) WHERE (status = ANY (ARRAY['packing'::text, 'away'::text]));

CREATE INDEX cure_weighing_by_batch ON public.cure_weighing USING btree (workshop_id, batch_id);

CREATE INDEX customer_by_name ON public.customer USING btree (workshop_id, lower(name), code);

CREATE INDEX deviation_by_about ON public.deviation USING btree (workshop_id, about_id) WHERE (about_id IS NOT NULL);

CREATE INDEX deviation_by_batch ON public.deviation USING btree (workshop_id, batch_id);

CREATE INDEX deviation_by_lot ON public.deviation USING btree (workshop_id, lot_id) WHERE (lot_id IS NOT NULL);

CREATE INDEX deviation_by_packing ON public.deviation USING btree (workshop_id, packing_id);

CREATE INDEX deviation_open ON public.deviation USING btree (workshop_id, n) WHERE ((decision IS NULL) AND (withdrawn_at IS NULL));

CREATE INDEX dispatch_by_customer_day ON public.dispatch USING btree (workshop_id, customer_id, dispatched_on, id);

CREATE INDEX dispatch_by_day ON public.dispatch USING btree (workshop_id, dispatched_on, id);

CREATE INDEX dispatch_line_by_customer ON public.dispatch_line USING btree (workshop_id, customer_id) WHERE (replaced_by IS NULL);

CREATE INDEX dispatch_line_by_packing ON public.dispatch_line USING btree (workshop_id, packing_id) INCLUDE (customer_id, dispatch_id, units) WHERE (replaced_by IS NULL);

CREATE UNIQUE INDEX dispatch_line_once ON public.dispatch_line USING btree (workshop_id, dispatch_id, packing_id) WHERE (replaced_by IS NULL);

CREATE INDEX dispatch_line_replaced_by_dispatch ON public.dispatch_line USING btree (workshop_id, dispatch_id) WHERE (replaced_by IS NOT NULL);

CREATE INDEX dispatch_line_replaced_by_packing ON public.dispatch_line USING btree (workshop_id, packing_id) WHERE (replaced_by IS NOT NULL);

CREATE INDEX document_by_batch ON public.document USING btree (workshop_id, batch_id) WHERE (batch_id IS NOT NULL);

CREATE INDEX document_by_complaint ON public.document USING btree (workshop_id, complaint_id) WHERE (complaint_id IS NOT NULL);

CREATE INDEX document_by_lot ON public.document USING btree (workshop_id, lot_id) WHERE (lot_id IS NOT NULL);

CREATE INDEX document_by_product ON public.document USING btree (workshop_id, product_id) WHERE (product_id IS NOT NULL);

CREATE INDEX document_by_recall ON public.document USING btree (workshop_id, recall_id) WHERE (recall_id IS NOT NULL);

CREATE INDEX formula_by_name ON public.formula USING btree (workshop_id, name, code);

CREATE UNIQUE INDEX formula_version_one_draft ON public.formula_version USING btree (workshop_id, formula_id) WHERE (status = 'draft'::text);

CREATE INDEX hold_of_recall ON public.hold USING btree (workshop_id, recall_id) WHERE (recall_id IS NOT NULL);

CREATE INDEX hold_open ON public.hold USING btree (workshop_id, packing_id) WHERE (lifted_at IS NULL);

CREATE INDEX import_job_by_time ON public.import_job USING btree (workshop_id, made_at);

CREATE INDEX import_job_made_from ON public.import_job USING btree (workshop_id, made_from) WHERE (made_from IS NOT NULL);

CREATE INDEX log_entry_by_about ON public.log_entry USING btree (workshop_id, kind, about, happened_at) WHERE (equipment_id IS NULL);

CREATE INDEX log_entry_by_equipment ON public.log_entry USING btree (workshop_id, equipment_id, happened_at) WHERE (equipment_id IS NOT NULL);

CREATE INDEX log_entry_by_time ON public.log_entry USING btree (workshop_id, happened_at, id);

CREATE INDEX log_entry_due ON public.log_entry USING btree (workshop_id, next_on) WHERE ((next_on IS NOT NULL) AND (replaced_by IS NULL));

CREATE INDEX lot_input_by_lot ON public.lot_input USING btree (workshop_id, lot_id);

CREATE INDEX lot_input_by_source ON public.lot_input USING btree (workshop_id, source_lot_id);

CREATE INDEX lot_retest_by_lot ON public.lot_retest USING btree (workshop_id, lot_id);

CREATE INDEX mail_log_by_recall ON public.mail_log USING btree (workshop_id, recall_id, customer_id);

CREATE UNIQUE INDEX mail_log_once ON public.mail_log USING btree (workshop_id, text_id, customer_id) WHERE (outcome <> 'failed'::text);

CREATE INDEX material_by_name ON public.material USING btree (workshop_id, ((retired_at IS NOT NULL)), name, code);

CREATE INDEX material_lot_by_expiry ON public.material_lot USING btree (workshop_id, expires_on) WHERE (expires_on IS NOT NULL);

CREATE INDEX material_lot_by_material ON public.material_lot USING btree (workshop_id, material_id, received_on);

CREATE INDEX material_lot_by_supplier ON public.material_lot USING btree (workshop_id, supplier_id, received_on, code) WHERE (supplier_id IS NOT NULL);

CREATE INDEX material_lot_by_supplier_lot ON public.material_lot USING btree (workshop_id, supplier_lot_key) WHERE (supplier_lot_key <> ''::text);

CREATE UNIQUE INDEX material_lot_one_tub ON public.material_lot USING btree (workshop_id, lower(tub)) WHERE ((tub IS NOT NULL) AND (washed_on IS NULL));

CREATE INDEX packing_by_best_before ON public.packing USING btree (workshop_id, best_before) WHERE (best_before IS NOT NULL);

CREATE INDEX packing_by_product ON public.packing USING btree (workshop_id, product_id, packed_on);

CREATE INDEX packing_input_by_lot ON public.packing_input USING btree (workshop_id, material_lot_id);

CREATE INDEX packing_input_by_packing ON public.packing_input USING btree (workshop_id, packing_id);

CREATE INDEX packing_retained ON public.packing USING btree (workshop_id, packed_on) WHERE (units_retained > 0);

CREATE INDEX packing_waiting ON public.packing USING btree (workshop_id, status) WHERE (status = 'quarantined'::text);

CREATE INDEX person_by_email ON public.person USING btree (email_key);

CREATE INDEX plan_by_day ON public.plan USING btree (workshop_id, planned_on, id);

CREATE INDEX portion_line_by_version ON public.portion_line USING btree (workshop_id, version_id);

CREATE INDEX product_by_formula ON public.product USING btree (workshop_id, formula_id);

CREATE INDEX product_by_name ON public.product USING btree (workshop_id, ((retired_at IS NOT NULL)), name, code);

CREATE UNIQUE INDEX product_letters_key ON public.product USING btree (workshop_id, letters) WHERE (letters IS NOT NULL);

CREATE UNIQUE INDEX product_packaging_once ON public.product_packaging USING btree (workshop_id, product_id, material_id) WHERE (replaced_by IS NULL);

CREATE UNIQUE INDEX product_part_once ON public.product_part USING btree (workshop_id, product_id, part_id) WHERE (replaced_by IS NULL);

CREATE INDEX recall_answer_by_customer ON public.recall_answer USING btree (workshop_id, recall_id, customer_id) WHERE (replaced_by IS NULL);

CREATE INDEX recall_count_by_customer ON public.recall_count USING btree (workshop_id, recall_id, customer_id) WHERE (replaced_by IS NULL);

CREATE UNIQUE INDEX recall_count_by_return ON public.recall_count USING btree (workshop_id, return_id) WHERE ((return_id IS NOT NULL) AND (replaced_by IS NULL));

CREATE INDEX recall_line_by_customer ON public.recall_line USING btree (workshop_id, recall_id, customer_id);

CREATE INDEX recall_open ON public.recall USING btree (workshop_id, n) WHERE (closed_at IS NULL);

CREATE INDEX recall_origin_by_recall ON public.recall_origin USING btree (workshop_id, recall_id);

CREATE UNIQUE INDEX recall_scope_batch ON public.recall_scope USING btree (workshop_id, batch_id, recall_id) WHERE (batch_id IS NOT NULL);

CREATE INDEX recall_scope_by_recall ON public.recall_scope USING btree (workshop_id, recall_id);

CREATE UNIQUE INDEX recall_scope_lot ON public.recall_scope USING btree (workshop_id, lot_id, recall_id) WHERE (lot_id IS NOT NULL);

CREATE UNIQUE INDEX recall_scope_packing ON public.recall_scope USING btree (workshop_id, packing_id, recall_id) WHERE (packing_id IS NOT NULL);

CREATE UNIQUE INDEX recall_text_current ON public.recall_text USING btree (workshop_id, recall_id, kind) WHERE (replaced_by IS NULL);

CREATE INDEX recall_told_by_customer ON public.recall_told USING btree (workshop_id, recall_id, customer_id) WHERE (replaced_by IS NULL);

CREATE INDEX reject_by_batch ON public.reject USING btree (workshop_id, batch_id);

CREATE INDEX rework_by_batch ON public.rework USING btree (workshop_id, batch_id);

CREATE INDEX sample_by_keep_until ON public.sample USING btree (workshop_id, keep_until) WHERE ((ended_on IS NULL) AND (replaced_by IS NULL));

CREATE INDEX sample_by_packing ON public.sample USING btree (workshop_id, packing_id);

CREATE INDEX sample_check_by_sample ON public.sample_check USING btree (workshop_id, sample_id);

CREATE INDEX search_key_by_target ON public.search_key USING btree (workshop_id, target_id);

CREATE INDEX session_by_person ON public.session USING btree (workshop_id, person_id);

CREATE INDEX signature_by_subject ON public.signature USING btree (workshop_id, subject_id);

CREATE INDEX stage_mass_by_batch ON public.stage_mass USING btree (workshop_id, batch_id);

CREATE UNIQUE INDEX step_tick_once ON public.step_tick USING btree (workshop_id, batch_id, step_id) WHERE (replaced_by IS NULL);

CREATE INDEX stock_move_by_lot ON public.stock_move USING btree (workshop_id, lot_id);

CREATE UNIQUE INDEX stock_move_code_key ON public.stock_move USING btree (workshop_id, code) WHERE (replaced_by IS NULL);

CREATE INDEX supplier_by_name ON public.supplier USING btree (workshop_id, name, code);

CREATE INDEX unit_code_by_key ON public.unit_code USING btree (workshop_id, code_key) WHERE (replaced_by IS NULL);

CREATE INDEX unit_code_by_packing ON public.unit_code USING btree (workshop_id, packing_id) WHERE (replaced_by IS NULL);

CREATE INDEX unit_move_by_packing ON public.unit_move USING btree (workshop_id, packing_id) WHERE (replaced_by IS NULL);

CREATE UNIQUE INDEX unit_move_code_key ON public.unit_move USING btree (workshop_id, code) WHERE (replaced_by IS NULL);

CREATE INDEX unit_return_by_dispatch ON public.unit_return USING btree (workshop_id, dispatch_id) WHERE (dispatch_id IS NOT NULL);

CREATE INDEX unit_return_by_packing ON public.unit_return USING btree (workshop_id, packing_id) WHERE (replaced_by IS NULL);

CREATE UNIQUE INDEX unit_return_code_key ON public.unit_return USING btree (workshop_id, code) WHERE (replaced_by IS NULL);

CREATE TRIGGER audit_insert AFTER INSERT ON public.api_token REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', 'token_hash', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.batch REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status');

CREATE TRIGGER audit_insert AFTER INSERT ON public.batch_climate REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.batch_equipment REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.batch_input REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.batch_line REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.bulk_move REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.complaint REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('name,email,phone,what', '', 'closed_at,signature_id,outcome');

CREATE TRIGGER audit_insert AFTER INSERT ON public.complaint_entry REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('words', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.control_reading REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.crate REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status');

CREATE TRIGGER audit_insert AFTER INSERT ON public.crate_line REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.cure_weighing REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.customer REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('name,email,phone,address', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.deviation REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.dispatch REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.dispatch_line REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.document REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.equipment REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'retired_at');

CREATE TRIGGER audit_insert AFTER INSERT ON public.formula REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.formula_version REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status,nominal_g,tolerance_pct,tolerance_g,expected_loss_pct,reconciliation_pct,min_c,max_c,min_rh_pct,max_rh_pct,cure_hours,cure_word,yields,bulk_months,caution,note');

CREATE TRIGGER audit_insert AFTER INSERT ON public.hold REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.log_entry REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.lot_input REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.lot_retest REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.mail_log REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('address', '', 'outcome,said,told_id');

CREATE TRIGGER audit_insert AFTER INSERT ON public.material REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'retired_at');

CREATE TRIGGER audit_insert AFTER INSERT ON public.material_lot REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status,recalled,opened_on,emptied_on');

CREATE TRIGGER audit_insert AFTER INSERT ON public.packing REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status');

CREATE TRIGGER audit_insert AFTER INSERT ON public.packing_input REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.person REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('email,email_key,name', 'password_hash', 'role,disabled_at');

CREATE TRIGGER audit_insert AFTER INSERT ON public.product REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'retired_at');

CREATE TRIGGER audit_insert AFTER INSERT ON public.product_packaging REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.product_part REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.recall REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'hazard,to_do,remedy,contact');

CREATE TRIGGER audit_insert AFTER INSERT ON public.recall_answer REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.recall_count REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.recall_line REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.recall_origin REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.recall_scope REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'counted');

CREATE TRIGGER audit_insert AFTER INSERT ON public.recall_text REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.recall_told REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.reject REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.rework REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.sample REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.sample_check REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.signature REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('printed_name', 'content', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.stage_mass REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.step_tick REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.stock_move REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.supplier REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('email,phone,address', '', '');

CREATE TRIGGER audit_insert AFTER INSERT ON public.unit_code REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.unit_move REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_insert AFTER INSERT ON public.unit_return REFERENCING NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.api_token REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', 'token_hash', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.batch REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status,recalled');

CREATE TRIGGER audit_update AFTER UPDATE ON public.batch_climate REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.batch_equipment REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.batch_input REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.batch_line REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.bulk_move REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.climate_reading REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_readings();

CREATE TRIGGER audit_update AFTER UPDATE ON public.complaint REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('name,email,phone,what', '', 'closed_at,signature_id,outcome');

CREATE TRIGGER audit_update AFTER UPDATE ON public.complaint_entry REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('words', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.control_reading REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.crate REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status');

CREATE TRIGGER audit_update AFTER UPDATE ON public.crate_line REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.cure_weighing REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.customer REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('name,email,phone,address', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.deviation REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.dispatch REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.dispatch_line REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.document REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.equipment REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'retired_at');

CREATE TRIGGER audit_update AFTER UPDATE ON public.formula REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.formula_version REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status,nominal_g,tolerance_pct,tolerance_g,expected_loss_pct,reconciliation_pct,min_c,max_c,min_rh_pct,max_rh_pct,cure_hours,cure_word,yields,bulk_months,caution,note');

CREATE TRIGGER audit_update AFTER UPDATE ON public.hold REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.log_entry REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.lot_input REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.lot_retest REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.mail_log REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('address', '', 'outcome,said,told_id');

CREATE TRIGGER audit_update AFTER UPDATE ON public.material REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'retired_at');

CREATE TRIGGER audit_update AFTER UPDATE ON public.material_lot REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status,recalled,opened_on,emptied_on');

CREATE TRIGGER audit_update AFTER UPDATE ON public.packing REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'status');

CREATE TRIGGER audit_update AFTER UPDATE ON public.packing_input REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.person REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('email,email_key,name', 'password_hash', 'role,disabled_at');

CREATE TRIGGER audit_update AFTER UPDATE ON public.product REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'retired_at');

CREATE TRIGGER audit_update AFTER UPDATE ON public.product_packaging REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.product_part REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.recall REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'hazard,to_do,remedy,contact');

CREATE TRIGGER audit_update AFTER UPDATE ON public.recall_answer REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.recall_count REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.recall_line REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.recall_origin REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.recall_scope REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'counted,counted_book');

CREATE TRIGGER audit_update AFTER UPDATE ON public.recall_text REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.recall_told REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.reject REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.rework REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.sample REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.sample_check REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.signature REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('printed_name', 'content', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.stage_mass REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.step_tick REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.stock_move REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.supplier REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('email,phone,address', '', '');

CREATE TRIGGER audit_update AFTER UPDATE ON public.unit_code REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.unit_move REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.unit_return REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'replaced_by');

CREATE TRIGGER audit_update AFTER UPDATE ON public.workshop REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION public.audit_rows('', '', 'code,name,zone,code_pattern,soon_days,readability_g,min_load_g,named,is_demo,mass_unit,temp_unit,date_style,drill_minutes,contact,markets,us_small_business');

CREATE CONSTRAINT TRIGGER change_chain AFTER INSERT ON public.change DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN ((new.within IS NULL)) EXECUTE FUNCTION public.chain_append();

CREATE TRIGGER change_told_guard BEFORE INSERT ON public.change FOR EACH ROW WHEN ((new.within IS NOT NULL)) EXECUTE FUNCTION public.told_change_guard();

CREATE TRIGGER control_draft_only BEFORE INSERT OR DELETE OR UPDATE ON public.control FOR EACH ROW EXECUTE FUNCTION public.draft_only();

CREATE TRIGGER formula_version_immutable BEFORE UPDATE ON public.formula_version FOR EACH ROW EXECUTE FUNCTION public.version_immutable();

CREATE TRIGGER method_step_draft_only BEFORE INSERT OR DELETE OR UPDATE ON public.method_step FOR EACH ROW EXECUTE FUNCTION public.draft_only();

CREATE TRIGGER portion_draft_only BEFORE INSERT OR DELETE OR UPDATE ON public.portion FOR EACH ROW EXECUTE FUNCTION public.draft_only();

CREATE TRIGGER portion_line_draft_only BEFORE INSERT OR DELETE OR UPDATE ON public.portion_line FOR EACH ROW EXECUTE FUNCTION public.draft_only();

CREATE TRIGGER workshop_chain AFTER INSERT ON public.workshop FOR EACH ROW EXECUTE FUNCTION public.workshop_starts_chain();

ALTER TABLE ONLY public.api_token
    ADD CONSTRAINT api_token_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.api_token_use
    ADD CONSTRAINT api_token_use_token_fkey FOREIGN KEY (workshop_id, token_id) REFERENCES public.api_token(workshop_id, id);

ALTER TABLE ONLY public.api_token_use
    ADD CONSTRAINT api_token_use_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.api_token
    ADD CONSTRAINT api_token_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.audit
    ADD CONSTRAINT audit_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.backup_note
    ADD CONSTRAINT backup_note_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.batch
    ADD CONSTRAINT batch_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.batch_climate
    ADD CONSTRAINT batch_climate_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.batch_climate
    ADD CONSTRAINT batch_climate_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.batch_climate
    ADD CONSTRAINT batch_climate_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.batch_climate(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.batch_climate
    ADD CONSTRAINT batch_climate_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.batch_equipment
    ADD CONSTRAINT batch_equipment_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.batch_equipment
    ADD CONSTRAINT batch_equipment_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.batch_equipment
    ADD CONSTRAINT batch_equipment_equipment_fkey FOREIGN KEY (workshop_id, equipment_id) REFERENCES public.equipment(workshop_id, id);

ALTER TABLE ONLY public.batch_equipment
    ADD CONSTRAINT batch_equipment_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.batch_equipment
    ADD CONSTRAINT batch_equipment_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.batch_equipment(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.batch_equipment
    ADD CONSTRAINT batch_equipment_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.batch
    ADD CONSTRAINT batch_formula_fkey FOREIGN KEY (workshop_id, formula_id) REFERENCES public.formula(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_line_fkey FOREIGN KEY (workshop_id, line_id) REFERENCES public.batch_line(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_lot_fkey FOREIGN KEY (workshop_id, material_lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.batch_input(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_rework_fkey FOREIGN KEY (workshop_id, rework_id) REFERENCES public.rework(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_scale_fkey FOREIGN KEY (workshop_id, scale_id) REFERENCES public.equipment(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_source_fkey FOREIGN KEY (workshop_id, source_batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_source_packing_fkey FOREIGN KEY (workshop_id, source_packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_untracked_fkey FOREIGN KEY (workshop_id, untracked_material_id) REFERENCES public.material(workshop_id, id);

ALTER TABLE ONLY public.batch_input
    ADD CONSTRAINT batch_input_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.batch_line
    ADD CONSTRAINT batch_line_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.batch_line
    ADD CONSTRAINT batch_line_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.batch_line
    ADD CONSTRAINT batch_line_line_fkey FOREIGN KEY (workshop_id, line_id) REFERENCES public.portion_line(workshop_id, id);

ALTER TABLE ONLY public.batch_line
    ADD CONSTRAINT batch_line_portion_fkey FOREIGN KEY (workshop_id, portion_id) REFERENCES public.portion(workshop_id, id);

ALTER TABLE ONLY public.batch_line
    ADD CONSTRAINT batch_line_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.batch
    ADD CONSTRAINT batch_person_fkey FOREIGN KEY (workshop_id, made_by) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.batch
    ADD CONSTRAINT batch_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES public.product(workshop_id, id);

ALTER TABLE ONLY public.batch
    ADD CONSTRAINT batch_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES public.formula_version(workshop_id, id);

ALTER TABLE ONLY public.batch
    ADD CONSTRAINT batch_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.bulk_move
    ADD CONSTRAINT bulk_move_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.bulk_move
    ADD CONSTRAINT bulk_move_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.bulk_move
    ADD CONSTRAINT bulk_move_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.bulk_move(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.bulk_move
    ADD CONSTRAINT bulk_move_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.chain_head
    ADD CONSTRAINT chain_head_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.chain_link
    ADD CONSTRAINT chain_link_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.chain_link
    ADD CONSTRAINT chain_link_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.change
    ADD CONSTRAINT change_person_fkey FOREIGN KEY (workshop_id, person_id) REFERENCES public.person(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.change
    ADD CONSTRAINT change_within_fkey FOREIGN KEY (workshop_id, within) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.change
    ADD CONSTRAINT change_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.climate_reading
    ADD CONSTRAINT climate_reading_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.code_counter
    ADD CONSTRAINT code_counter_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.code_near
    ADD CONSTRAINT code_near_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.code_near
    ADD CONSTRAINT code_near_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.code_pattern
    ADD CONSTRAINT code_pattern_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.complaint
    ADD CONSTRAINT complaint_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.complaint
    ADD CONSTRAINT complaint_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.complaint_entry
    ADD CONSTRAINT complaint_entry_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.complaint_entry
    ADD CONSTRAINT complaint_entry_complaint_fkey FOREIGN KEY (workshop_id, complaint_id) REFERENCES public.complaint(workshop_id, id);

ALTER TABLE ONLY public.complaint_entry
    ADD CONSTRAINT complaint_entry_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.complaint_entry(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.complaint_entry
    ADD CONSTRAINT complaint_entry_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.complaint
    ADD CONSTRAINT complaint_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.complaint
    ADD CONSTRAINT complaint_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES public.product(workshop_id, id);

ALTER TABLE ONLY public.complaint
    ADD CONSTRAINT complaint_signature_fkey FOREIGN KEY (workshop_id, signature_id) REFERENCES public.signature(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.complaint
    ADD CONSTRAINT complaint_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.control_reading
    ADD CONSTRAINT control_reading_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.control_reading
    ADD CONSTRAINT control_reading_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.control_reading
    ADD CONSTRAINT control_reading_control_fkey FOREIGN KEY (workshop_id, control_id) REFERENCES public.control(workshop_id, id);

ALTER TABLE ONLY public.control_reading
    ADD CONSTRAINT control_reading_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.control_reading
    ADD CONSTRAINT control_reading_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.control_reading(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.control_reading
    ADD CONSTRAINT control_reading_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.control
    ADD CONSTRAINT control_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES public.formula_version(workshop_id, id);

ALTER TABLE ONLY public.control
    ADD CONSTRAINT control_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.crate
    ADD CONSTRAINT crate_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.crate
    ADD CONSTRAINT crate_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.crate
    ADD CONSTRAINT crate_dispatch_fkey FOREIGN KEY (workshop_id, dispatch_id) REFERENCES public.dispatch(workshop_id, id);

ALTER TABLE ONLY public.crate_line
    ADD CONSTRAINT crate_line_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.crate_line
    ADD CONSTRAINT crate_line_crate_fkey FOREIGN KEY (workshop_id, crate_id) REFERENCES public.crate(workshop_id, id);

ALTER TABLE ONLY public.crate_line
    ADD CONSTRAINT crate_line_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.crate_line
    ADD CONSTRAINT crate_line_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.crate_line(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.crate_line
    ADD CONSTRAINT crate_line_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.crate
    ADD CONSTRAINT crate_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.cure_weighing
    ADD CONSTRAINT cure_weighing_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.cure_weighing
    ADD CONSTRAINT cure_weighing_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.cure_weighing
    ADD CONSTRAINT cure_weighing_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.cure_weighing(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.cure_weighing
    ADD CONSTRAINT cure_weighing_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.customer
    ADD CONSTRAINT customer_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.customer
    ADD CONSTRAINT customer_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_dispatch_fkey FOREIGN KEY (workshop_id, dispatch_id) REFERENCES public.dispatch(workshop_id, id);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_person_fkey FOREIGN KEY (workshop_id, decided_by) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.deviation
    ADD CONSTRAINT deviation_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.dispatch
    ADD CONSTRAINT dispatch_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.dispatch
    ADD CONSTRAINT dispatch_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.dispatch_line
    ADD CONSTRAINT dispatch_line_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.dispatch_line
    ADD CONSTRAINT dispatch_line_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.dispatch_line
    ADD CONSTRAINT dispatch_line_dispatch_fkey FOREIGN KEY (workshop_id, dispatch_id) REFERENCES public.dispatch(workshop_id, id);

ALTER TABLE ONLY public.dispatch_line
    ADD CONSTRAINT dispatch_line_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.dispatch_line
    ADD CONSTRAINT dispatch_line_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.dispatch_line(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.dispatch_line
    ADD CONSTRAINT dispatch_line_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.dispatch
    ADD CONSTRAINT dispatch_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.document
    ADD CONSTRAINT document_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.document
    ADD CONSTRAINT document_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.document_chunk
    ADD CONSTRAINT document_chunk_fkey FOREIGN KEY (workshop_id, document_id) REFERENCES public.document(workshop_id, id);

ALTER TABLE ONLY public.document
    ADD CONSTRAINT document_complaint_fkey FOREIGN KEY (workshop_id, complaint_id) REFERENCES public.complaint(workshop_id, id);

ALTER TABLE ONLY public.document
    ADD CONSTRAINT document_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.document
    ADD CONSTRAINT document_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES public.product(workshop_id, id);

ALTER TABLE ONLY public.document
    ADD CONSTRAINT document_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.document
    ADD CONSTRAINT document_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.entry_key
    ADD CONSTRAINT entry_key_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.entry_key
    ADD CONSTRAINT entry_key_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.equipment
    ADD CONSTRAINT equipment_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.equipment
    ADD CONSTRAINT equipment_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.formula
    ADD CONSTRAINT formula_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.formula_version
    ADD CONSTRAINT formula_version_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.formula_version
    ADD CONSTRAINT formula_version_formula_fkey FOREIGN KEY (workshop_id, formula_id) REFERENCES public.formula(workshop_id, id);

ALTER TABLE ONLY public.formula_version
    ADD CONSTRAINT formula_version_person_fkey FOREIGN KEY (workshop_id, approved_by) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.formula_version
    ADD CONSTRAINT formula_version_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.formula
    ADD CONSTRAINT formula_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.hold
    ADD CONSTRAINT hold_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.hold
    ADD CONSTRAINT hold_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.hold
    ADD CONSTRAINT hold_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.hold
    ADD CONSTRAINT hold_return_fkey FOREIGN KEY (workshop_id, return_id) REFERENCES public.unit_return(workshop_id, id);

ALTER TABLE ONLY public.hold
    ADD CONSTRAINT hold_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.import_chunk
    ADD CONSTRAINT import_chunk_fkey FOREIGN KEY (workshop_id, job_id) REFERENCES public.import_job(workshop_id, id);

ALTER TABLE ONLY public.import_job
    ADD CONSTRAINT import_job_made_by_fkey FOREIGN KEY (workshop_id, made_by) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.import_job
    ADD CONSTRAINT import_job_made_from_fkey FOREIGN KEY (workshop_id, made_from) REFERENCES public.import_job(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.import_job
    ADD CONSTRAINT import_job_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.import_mapping
    ADD CONSTRAINT import_mapping_used_by_fkey FOREIGN KEY (workshop_id, used_by) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.import_mapping
    ADD CONSTRAINT import_mapping_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.log_entry
    ADD CONSTRAINT log_entry_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.log_entry
    ADD CONSTRAINT log_entry_equipment_fkey FOREIGN KEY (workshop_id, equipment_id) REFERENCES public.equipment(workshop_id, id);

ALTER TABLE ONLY public.log_entry
    ADD CONSTRAINT log_entry_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.log_entry(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.log_entry
    ADD CONSTRAINT log_entry_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.lot_input
    ADD CONSTRAINT lot_input_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.lot_input
    ADD CONSTRAINT lot_input_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.lot_input
    ADD CONSTRAINT lot_input_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.lot_input(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.lot_input
    ADD CONSTRAINT lot_input_source_fkey FOREIGN KEY (workshop_id, source_lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.lot_input
    ADD CONSTRAINT lot_input_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.lot_retest
    ADD CONSTRAINT lot_retest_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.lot_retest
    ADD CONSTRAINT lot_retest_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.lot_retest
    ADD CONSTRAINT lot_retest_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.lot_retest(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.lot_retest
    ADD CONSTRAINT lot_retest_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.mail_log
    ADD CONSTRAINT mail_log_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.mail_log
    ADD CONSTRAINT mail_log_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.mail_log
    ADD CONSTRAINT mail_log_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.mail_log
    ADD CONSTRAINT mail_log_text_fkey FOREIGN KEY (workshop_id, text_id) REFERENCES public.recall_text(workshop_id, id);

ALTER TABLE ONLY public.mail_log
    ADD CONSTRAINT mail_log_told_fkey FOREIGN KEY (workshop_id, told_id) REFERENCES public.recall_told(workshop_id, id);

ALTER TABLE ONLY public.mail_log
    ADD CONSTRAINT mail_log_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.material
    ADD CONSTRAINT material_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.material_lot
    ADD CONSTRAINT material_lot_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.material_lot
    ADD CONSTRAINT material_lot_material_fkey FOREIGN KEY (workshop_id, material_id) REFERENCES public.material(workshop_id, id);

ALTER TABLE ONLY public.material_lot
    ADD CONSTRAINT material_lot_supplier_fkey FOREIGN KEY (workshop_id, supplier_id) REFERENCES public.supplier(workshop_id, id);

ALTER TABLE ONLY public.material_lot
    ADD CONSTRAINT material_lot_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.material
    ADD CONSTRAINT material_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.method_step
    ADD CONSTRAINT method_step_portion_fkey FOREIGN KEY (workshop_id, version_id, portion_id) REFERENCES public.portion(workshop_id, version_id, id);

ALTER TABLE ONLY public.method_step
    ADD CONSTRAINT method_step_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES public.formula_version(workshop_id, id);

ALTER TABLE ONLY public.method_step
    ADD CONSTRAINT method_step_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.one_time_link
    ADD CONSTRAINT one_time_link_person_fkey FOREIGN KEY (workshop_id, person_id) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.one_time_link
    ADD CONSTRAINT one_time_link_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.packing
    ADD CONSTRAINT packing_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.packing
    ADD CONSTRAINT packing_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.packing_input
    ADD CONSTRAINT packing_input_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.packing_input
    ADD CONSTRAINT packing_input_lot_fkey FOREIGN KEY (workshop_id, material_lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.packing_input
    ADD CONSTRAINT packing_input_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.packing_input
    ADD CONSTRAINT packing_input_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.packing_input(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.packing_input
    ADD CONSTRAINT packing_input_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.packing
    ADD CONSTRAINT packing_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES public.product(workshop_id, id);

ALTER TABLE ONLY public.packing
    ADD CONSTRAINT packing_signature_fkey FOREIGN KEY (workshop_id, signature_id) REFERENCES public.signature(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.packing
    ADD CONSTRAINT packing_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.person
    ADD CONSTRAINT person_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.person
    ADD CONSTRAINT person_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.plan
    ADD CONSTRAINT plan_person_fkey FOREIGN KEY (workshop_id, made_by) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.plan
    ADD CONSTRAINT plan_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES public.product(workshop_id, id);

ALTER TABLE ONLY public.plan
    ADD CONSTRAINT plan_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES public.formula_version(workshop_id, id);

ALTER TABLE ONLY public.plan
    ADD CONSTRAINT plan_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.portion_line
    ADD CONSTRAINT portion_line_bulk_fkey FOREIGN KEY (workshop_id, bulk_formula_id) REFERENCES public.formula(workshop_id, id);

ALTER TABLE ONLY public.portion_line
    ADD CONSTRAINT portion_line_inner_fkey FOREIGN KEY (workshop_id, version_id, inner_portion_id) REFERENCES public.portion(workshop_id, version_id, id);

ALTER TABLE ONLY public.portion_line
    ADD CONSTRAINT portion_line_material_fkey FOREIGN KEY (workshop_id, material_id) REFERENCES public.material(workshop_id, id);

ALTER TABLE ONLY public.portion_line
    ADD CONSTRAINT portion_line_portion_fkey FOREIGN KEY (workshop_id, version_id, portion_id) REFERENCES public.portion(workshop_id, version_id, id);

ALTER TABLE ONLY public.portion_line
    ADD CONSTRAINT portion_line_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.portion
    ADD CONSTRAINT portion_version_fkey FOREIGN KEY (workshop_id, version_id) REFERENCES public.formula_version(workshop_id, id);

ALTER TABLE ONLY public.portion
    ADD CONSTRAINT portion_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.product
    ADD CONSTRAINT product_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.product
    ADD CONSTRAINT product_formula_fkey FOREIGN KEY (workshop_id, formula_id) REFERENCES public.formula(workshop_id, id);

ALTER TABLE ONLY public.product_packaging
    ADD CONSTRAINT product_packaging_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.product_packaging
    ADD CONSTRAINT product_packaging_material_fkey FOREIGN KEY (workshop_id, material_id) REFERENCES public.material(workshop_id, id);

ALTER TABLE ONLY public.product_packaging
    ADD CONSTRAINT product_packaging_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES public.product(workshop_id, id);

ALTER TABLE ONLY public.product_packaging
    ADD CONSTRAINT product_packaging_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.product_packaging(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.product_packaging
    ADD CONSTRAINT product_packaging_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.product_part
    ADD CONSTRAINT product_part_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.product_part
    ADD CONSTRAINT product_part_part_fkey FOREIGN KEY (workshop_id, part_id) REFERENCES public.product(workshop_id, id);

ALTER TABLE ONLY public.product_part
    ADD CONSTRAINT product_part_product_fkey FOREIGN KEY (workshop_id, product_id) REFERENCES public.product(workshop_id, id);

ALTER TABLE ONLY public.product_part
    ADD CONSTRAINT product_part_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.product_part(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.product_part
    ADD CONSTRAINT product_part_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.product
    ADD CONSTRAINT product_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.recall_answer
    ADD CONSTRAINT recall_answer_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.recall_answer
    ADD CONSTRAINT recall_answer_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.recall_answer
    ADD CONSTRAINT recall_answer_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.recall_answer
    ADD CONSTRAINT recall_answer_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.recall_answer(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.recall_answer
    ADD CONSTRAINT recall_answer_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.recall
    ADD CONSTRAINT recall_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.recall_count
    ADD CONSTRAINT recall_count_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.recall_count
    ADD CONSTRAINT recall_count_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.recall_count
    ADD CONSTRAINT recall_count_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.recall_count
    ADD CONSTRAINT recall_count_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.recall_count
    ADD CONSTRAINT recall_count_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.recall_count(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.recall_count
    ADD CONSTRAINT recall_count_return_fkey FOREIGN KEY (workshop_id, return_id) REFERENCES public.unit_return(workshop_id, id);

ALTER TABLE ONLY public.recall_count
    ADD CONSTRAINT recall_count_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.recall_line
    ADD CONSTRAINT recall_line_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.recall_line
    ADD CONSTRAINT recall_line_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.recall_line
    ADD CONSTRAINT recall_line_line_fkey FOREIGN KEY (workshop_id, line_id) REFERENCES public.dispatch_line(workshop_id, id);

ALTER TABLE ONLY public.recall_line
    ADD CONSTRAINT recall_line_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.recall_line
    ADD CONSTRAINT recall_line_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.recall_line
    ADD CONSTRAINT recall_line_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.recall_origin
    ADD CONSTRAINT recall_origin_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.recall_origin
    ADD CONSTRAINT recall_origin_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.recall_origin
    ADD CONSTRAINT recall_origin_complaint_fkey FOREIGN KEY (workshop_id, complaint_id) REFERENCES public.complaint(workshop_id, id);

ALTER TABLE ONLY public.recall_origin
    ADD CONSTRAINT recall_origin_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.recall_origin
    ADD CONSTRAINT recall_origin_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.recall_origin
    ADD CONSTRAINT recall_origin_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.recall_origin
    ADD CONSTRAINT recall_origin_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.recall_scope
    ADD CONSTRAINT recall_scope_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.recall_scope
    ADD CONSTRAINT recall_scope_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.recall_scope
    ADD CONSTRAINT recall_scope_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.recall_scope
    ADD CONSTRAINT recall_scope_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.recall_scope
    ADD CONSTRAINT recall_scope_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.recall_scope
    ADD CONSTRAINT recall_scope_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.recall
    ADD CONSTRAINT recall_signature_fkey FOREIGN KEY (workshop_id, signature_id) REFERENCES public.signature(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.recall_text
    ADD CONSTRAINT recall_text_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.recall_text
    ADD CONSTRAINT recall_text_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.recall_text
    ADD CONSTRAINT recall_text_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.recall_text(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.recall_text
    ADD CONSTRAINT recall_text_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.recall_told
    ADD CONSTRAINT recall_told_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.recall_told
    ADD CONSTRAINT recall_told_customer_fkey FOREIGN KEY (workshop_id, customer_id) REFERENCES public.customer(workshop_id, id);

ALTER TABLE ONLY public.recall_told
    ADD CONSTRAINT recall_told_recall_fkey FOREIGN KEY (workshop_id, recall_id) REFERENCES public.recall(workshop_id, id);

ALTER TABLE ONLY public.recall_told
    ADD CONSTRAINT recall_told_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.recall_told(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.recall_told
    ADD CONSTRAINT recall_told_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.recall
    ADD CONSTRAINT recall_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.reject
    ADD CONSTRAINT reject_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.reject
    ADD CONSTRAINT reject_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.reject
    ADD CONSTRAINT reject_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.reject
    ADD CONSTRAINT reject_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.reject(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.reject
    ADD CONSTRAINT reject_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.rework
    ADD CONSTRAINT rework_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.rework
    ADD CONSTRAINT rework_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.rework
    ADD CONSTRAINT rework_formula_fkey FOREIGN KEY (workshop_id, formula_id) REFERENCES public.formula(workshop_id, id);

ALTER TABLE ONLY public.rework
    ADD CONSTRAINT rework_signature_fkey FOREIGN KEY (workshop_id, signature_id) REFERENCES public.signature(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.rework
    ADD CONSTRAINT rework_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.sample
    ADD CONSTRAINT sample_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.sample_check
    ADD CONSTRAINT sample_check_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.sample_check
    ADD CONSTRAINT sample_check_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.sample_check(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.sample_check
    ADD CONSTRAINT sample_check_sample_fkey FOREIGN KEY (workshop_id, sample_id) REFERENCES public.sample(workshop_id, id);

ALTER TABLE ONLY public.sample_check
    ADD CONSTRAINT sample_check_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.sample
    ADD CONSTRAINT sample_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.sample
    ADD CONSTRAINT sample_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.sample(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.sample
    ADD CONSTRAINT sample_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.search_key
    ADD CONSTRAINT search_key_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_person_fkey FOREIGN KEY (workshop_id, person_id) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.signature
    ADD CONSTRAINT signature_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.signature
    ADD CONSTRAINT signature_person_fkey FOREIGN KEY (workshop_id, person_id) REFERENCES public.person(workshop_id, id);

ALTER TABLE ONLY public.signature
    ADD CONSTRAINT signature_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.stage_mass
    ADD CONSTRAINT stage_mass_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.stage_mass
    ADD CONSTRAINT stage_mass_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.stage_mass
    ADD CONSTRAINT stage_mass_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.stage_mass(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.stage_mass
    ADD CONSTRAINT stage_mass_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.step_tick
    ADD CONSTRAINT step_tick_batch_fkey FOREIGN KEY (workshop_id, batch_id) REFERENCES public.batch(workshop_id, id);

ALTER TABLE ONLY public.step_tick
    ADD CONSTRAINT step_tick_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.step_tick
    ADD CONSTRAINT step_tick_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.step_tick(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.step_tick
    ADD CONSTRAINT step_tick_step_fkey FOREIGN KEY (workshop_id, step_id) REFERENCES public.method_step(workshop_id, id);

ALTER TABLE ONLY public.step_tick
    ADD CONSTRAINT step_tick_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.stock_move
    ADD CONSTRAINT stock_move_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.stock_move
    ADD CONSTRAINT stock_move_lot_fkey FOREIGN KEY (workshop_id, lot_id) REFERENCES public.material_lot(workshop_id, id);

ALTER TABLE ONLY public.stock_move
    ADD CONSTRAINT stock_move_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.stock_move(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.stock_move
    ADD CONSTRAINT stock_move_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.supplier
    ADD CONSTRAINT supplier_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.supplier
    ADD CONSTRAINT supplier_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.unit_code
    ADD CONSTRAINT unit_code_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.unit_code
    ADD CONSTRAINT unit_code_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.unit_code
    ADD CONSTRAINT unit_code_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.unit_code(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.unit_code
    ADD CONSTRAINT unit_code_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.unit_move
    ADD CONSTRAINT unit_move_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.unit_move
    ADD CONSTRAINT unit_move_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.unit_move
    ADD CONSTRAINT unit_move_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.unit_move(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.unit_move
    ADD CONSTRAINT unit_move_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE ONLY public.unit_return
    ADD CONSTRAINT unit_return_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES public.change(workshop_id, id);

ALTER TABLE ONLY public.unit_return
    ADD CONSTRAINT unit_return_dispatch_fkey FOREIGN KEY (workshop_id, dispatch_id) REFERENCES public.dispatch(workshop_id, id);

ALTER TABLE ONLY public.unit_return
    ADD CONSTRAINT unit_return_packing_fkey FOREIGN KEY (workshop_id, packing_id) REFERENCES public.packing(workshop_id, id);

ALTER TABLE ONLY public.unit_return
    ADD CONSTRAINT unit_return_replaced_fkey FOREIGN KEY (workshop_id, replaced_by) REFERENCES public.unit_return(workshop_id, id) DEFERRABLE INITIALLY DEFERRED;

ALTER TABLE ONLY public.unit_return
    ADD CONSTRAINT unit_return_workshop_id_fkey FOREIGN KEY (workshop_id) REFERENCES public.workshop(id);

ALTER TABLE public.api_token ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.api_token_use ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.audit ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.backup_note ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.batch ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.batch_climate ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.batch_equipment ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.batch_input ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.batch_line ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.bulk_move ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.chain_head ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.chain_link ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.change ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.climate_reading ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.code_counter ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.code_near ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.code_pattern ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.complaint ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.complaint_entry ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.control ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.control_reading ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.crate ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.crate_line ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.cure_weighing ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.customer ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.deviation ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.dispatch ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.dispatch_line ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.document ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.document_chunk ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.entry_key ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.equipment ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.formula ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.formula_version ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.hold ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.import_chunk ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.import_job ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.import_mapping ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.log_entry ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.lot_input ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.lot_retest ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.mail_log ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.material ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.material_lot ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.method_step ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.one_time_link ENABLE ROW LEVEL SECURITY;

CREATE POLICY own_workshop ON public.api_token USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.api_token_use USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.audit USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.backup_note USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.batch USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.batch_climate USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.batch_equipment USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.batch_input USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.batch_line USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.bulk_move USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.chain_head USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.chain_link USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.change USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.climate_reading USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.code_counter USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.code_near USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.code_pattern USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.complaint USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.complaint_entry USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.control USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.control_reading USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.crate USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.crate_line USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.cure_weighing USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.customer USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.deviation USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.dispatch USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.dispatch_line USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.document USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.document_chunk USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.entry_key USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.equipment USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.formula USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.formula_version USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.hold USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.import_chunk USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.import_job USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.import_mapping USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.log_entry USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.lot_input USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.lot_retest USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.mail_log USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.material USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.material_lot USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.method_step USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.one_time_link USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.packing USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.packing_input USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.person USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.plan USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.portion USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.portion_line USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.product USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.product_packaging USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.product_part USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.recall USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.recall_answer USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.recall_count USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.recall_line USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.recall_origin USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.recall_scope USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.recall_text USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.recall_told USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.reject USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.rework USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.sample USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.sample_check USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.search_key USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.session USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.signature USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.stage_mass USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.step_tick USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.stock_move USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.supplier USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.unit_code USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.unit_move USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.unit_return USING ((workshop_id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

CREATE POLICY own_workshop ON public.workshop USING ((id = (NULLIF(current_setting('app.workshop_id'::text, true), ''::text))::uuid));

ALTER TABLE public.packing ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.packing_input ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.person ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.plan ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.portion ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.portion_line ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.product ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.product_packaging ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.product_part ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.recall ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.recall_answer ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.recall_count ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.recall_line ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.recall_origin ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.recall_scope ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.recall_text ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.recall_told ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.reject ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.rework ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.sample ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.sample_check ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.search_key ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.session ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.signature ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.stage_mass ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.step_tick ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.stock_move ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.supplier ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.unit_code ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.unit_move ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.unit_return ENABLE ROW LEVEL SECURITY;

ALTER TABLE public.workshop ENABLE ROW LEVEL SECURITY;

GRANT USAGE ON SCHEMA public TO stillroom_app;

REVOKE ALL ON FUNCTION public.chain_breaks(ws uuid) FROM PUBLIC;

GRANT SELECT ON TABLE public.change TO stillroom_app;

GRANT INSERT(workshop_id) ON TABLE public.change TO stillroom_app;

GRANT INSERT(id) ON TABLE public.change TO stillroom_app;

GRANT INSERT(kind) ON TABLE public.change TO stillroom_app;

GRANT INSERT(actor) ON TABLE public.change TO stillroom_app;

GRANT INSERT(person_id) ON TABLE public.change TO stillroom_app;

GRANT INSERT(role) ON TABLE public.change TO stillroom_app;

GRANT INSERT(device) ON TABLE public.change TO stillroom_app;

GRANT INSERT(request_id) ON TABLE public.change TO stillroom_app;

GRANT INSERT(reason) ON TABLE public.change TO stillroom_app;

REVOKE ALL ON FUNCTION public.chain_hash(before bytea, c public.change) FROM PUBLIC;
GRANT ALL ON FUNCTION public.chain_hash(before bytea, c public.change) TO stillroom_app;

REVOKE ALL ON FUNCTION public.erase_complaint_photos(which uuid) FROM PUBLIC;
GRANT ALL ON FUNCTION public.erase_complaint_photos(which uuid) TO stillroom_app;

REVOKE ALL ON FUNCTION public.record_drift(ws uuid) FROM PUBLIC;

REVOKE ALL ON FUNCTION public.told_changes(ws uuid, import uuid) FROM PUBLIC;

REVOKE ALL ON FUNCTION public.workshops_of_email(wanted text) FROM PUBLIC;
GRANT ALL ON FUNCTION public.workshops_of_email(wanted text) TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.api_token TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.api_token_use TO stillroom_app;

GRANT SELECT ON TABLE public.audit TO stillroom_app;

GRANT SELECT ON TABLE public.backup_note TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.batch TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.batch_climate TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.batch_equipment TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.batch_input TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.batch_line TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.bulk_move TO stillroom_app;

GRANT SELECT ON TABLE public.chain_head TO stillroom_app;

GRANT SELECT ON TABLE public.chain_link TO stillroom_app;

GRANT SELECT,INSERT ON TABLE public.climate_reading TO stillroom_app;

GRANT UPDATE(temperature_c) ON TABLE public.climate_reading TO stillroom_app;

GRANT UPDATE(humidity_pct) ON TABLE public.climate_reading TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.code_counter TO stillroom_app;

GRANT SELECT,INSERT ON TABLE public.code_near TO stillroom_app;

GRANT SELECT,INSERT ON TABLE public.code_pattern TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.complaint TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.complaint_entry TO stillroom_app;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.control TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.control_reading TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.crate TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.crate_line TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.cure_weighing TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.customer TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.deviation TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.dispatch TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.dispatch_line TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.document TO stillroom_app;

GRANT SELECT,INSERT ON TABLE public.document_chunk TO stillroom_app;

GRANT SELECT,INSERT ON TABLE public.entry_key TO stillroom_app;

GRANT UPDATE(result) ON TABLE public.entry_key TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.equipment TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.formula TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.formula_version TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.hold TO stillroom_app;

GRANT SELECT,INSERT,DELETE ON TABLE public.import_chunk TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.import_job TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.import_mapping TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.log_entry TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.lot_input TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.lot_retest TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.material_lot TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.packing_input TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.stock_move TO stillroom_app;

GRANT SELECT ON TABLE public.lot_stock TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.mail_log TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.material TO stillroom_app;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.method_step TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.one_time_link TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.packing TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.unit_move TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.unit_return TO stillroom_app;

GRANT SELECT ON TABLE public.packing_stock TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.person TO stillroom_app;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.plan TO stillroom_app;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.portion TO stillroom_app;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.portion_line TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.product TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.product_packaging TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.product_part TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.recall TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.recall_answer TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.recall_count TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.recall_line TO stillroom_app;

GRANT SELECT ON TABLE public.recall_list TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.recall_origin TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.recall_scope TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.recall_text TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.recall_told TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.reject TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.rework TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.sample TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.sample_check TO stillroom_app;

GRANT SELECT,INSERT,DELETE ON TABLE public.search_key TO stillroom_app;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.session TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.signature TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.stage_mass TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.step_tick TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.supplier TO stillroom_app;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.throttle TO stillroom_app;

GRANT SELECT,INSERT ON TABLE public.told_change TO stillroom_app;

GRANT SELECT,INSERT,UPDATE ON TABLE public.unit_code TO stillroom_app;

GRANT SELECT,UPDATE ON TABLE public.workshop TO stillroom_app;
