-- A whole workshop leaves and comes back: what a file tells of changes that this program did not see stands beside the
-- chain, under the import that brought it.
-- +goose Up

ALTER TABLE change ADD COLUMN within uuid;
ALTER TABLE change ADD CONSTRAINT change_within_fkey FOREIGN KEY (workshop_id, within) REFERENCES change (workshop_id, id);
ALTER TABLE change ADD CONSTRAINT change_within_another CHECK (within <> id);
COMMENT ON COLUMN change.within IS 'Of a change that a file told of: the import that brought it. Its time and person are the file''s word, and no link of the chain is its own.';
CREATE INDEX change_told ON change (workshop_id, within) WHERE within IS NOT NULL;

-- A told change comes in while its import is open: before the import's own link closes it, at the end of its transaction.
-- +goose StatementBegin
CREATE FUNCTION import_open(ws uuid, import uuid) RETURNS boolean
LANGUAGE sql STABLE SET search_path = public, pg_temp AS $$
  SELECT coalesce(current_setting('app.bulk', true) = 'on' AND ws = current_workshop() AND import = current_change(), false)
     AND EXISTS (SELECT FROM change c WHERE c.workshop_id = ws AND c.id = import AND c.within IS NULL)
     AND NOT EXISTS (SELECT FROM chain_link l WHERE l.workshop_id = ws AND l.change_id = import)
$$;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE FUNCTION told_change_guard() RETURNS trigger
LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
  IF NOT import_open(NEW.workshop_id, NEW.within) THEN
    RAISE EXCEPTION 'a change is told by an import, while that is open' USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_told_by_import';
  END IF;
  RETURN NEW;
END $$;
-- +goose StatementEnd
CREATE TRIGGER change_told_guard BEFORE INSERT ON change FOR EACH ROW WHEN (NEW.within IS NOT NULL) EXECUTE FUNCTION told_change_guard();

-- The serving role may not write the time of a change. Through this view it may, of told ones alone.
CREATE VIEW told_change WITH (security_barrier = true) AS
SELECT c.workshop_id, c.id, c.at, c.kind, c.actor, c.person_id, c.role, c.device, c.request_id, c.reason, c.within
  FROM change c WHERE c.within IS NOT NULL AND c.workshop_id = current_workshop()
  WITH CHECK OPTION;
COMMENT ON VIEW told_change IS 'Changes that files told of, of this workshop: the only way in for one.';
GRANT SELECT, INSERT ON told_change TO stillroom_app;

-- What the chain keeps of the changes that an import told of.
-- +goose StatementBegin
CREATE FUNCTION told_changes(ws uuid, import uuid) RETURNS jsonb
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp SET timezone = 'UTC' SET bytea_output = 'hex' AS $$
  SELECT jsonb_build_object('told', true, 'rows', count(*), 'sha256', encode(sha256(coalesce(string_agg(row_digest(to_jsonb(c)), ''::bytea ORDER BY c.id::text COLLATE "C"), ''::bytea)), 'hex'))
    FROM change c WHERE c.workshop_id = ws AND c.within = import
$$;
-- +goose StatementEnd
REVOKE EXECUTE ON FUNCTION told_changes(uuid, uuid) FROM PUBLIC;

-- A change's image is what it was before the column came.
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION chain_hash(before bytea, c change) RETURNS bytea
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp SET timezone = 'UTC' SET bytea_output = 'hex' AS $$
  SELECT sha256(before || sha256(convert_to((CASE WHEN c.within IS NULL THEN to_jsonb(c) - 'within' ELSE to_jsonb(c) END)::text, 'UTF8')) || coalesce(
    (SELECT string_agg(sha256(convert_to(to_jsonb(a)::text, 'UTF8')), ''::bytea ORDER BY a.n)
       FROM audit a WHERE a.workshop_id = c.workshop_id AND a.change_id = c.id), ''::bytea))
$$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE OR REPLACE FUNCTION chain_append() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
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
-- +goose StatementEnd
DROP TRIGGER change_chain ON change;
CREATE CONSTRAINT TRIGGER change_chain AFTER INSERT ON change
  DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.within IS NULL) EXECUTE FUNCTION chain_append();

-- As before, and an import may bring rows in two parts: those of changes that its file tells of, and its own. Each part
-- of a table leaves one row in the trail. A row without a change (a draft) leaves its image, as any entry does.
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION audit_rows() RETURNS trigger
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
-- +goose StatementEnd

-- +goose StatementBegin
CREATE OR REPLACE FUNCTION chain_breaks(ws uuid) RETURNS TABLE (n bigint, change_id uuid, problem text)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp SET timezone = 'UTC' SET bytea_output = 'hex' AS $$
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
-- +goose StatementEnd

-- As before; a told row is looked for under the import that told of its change.
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
         FROM (SELECT DISTINCT ON (x.row_id) x.row_id, x.new FROM audit x WHERE x.workshop_id = $1 AND x.table_name = %L AND x.row_id <> '''' ORDER BY x.row_id, x.n DESC) a
         FULL JOIN (SELECT (to_jsonb(y) ->> ''id'') AS row_id, audit_image(to_jsonb(y), $2, $3) AS image, y.change_id FROM %I y WHERE y.workshop_id = $1) r ON r.row_id = a.row_id
        WHERE r.row_id IS NULL OR (a.new <> r.image AND jsonb_strip_nulls(a.new) <> jsonb_strip_nulls(r.image))
           OR (a.row_id IS NULL AND NOT EXISTS (SELECT FROM change c JOIN audit k ON k.workshop_id = $1 AND k.change_id = coalesce(c.within, c.id) AND (k.new ? ''told'') = (c.within IS NOT NULL)
                 WHERE c.workshop_id = $1 AND c.id = r.change_id AND k.table_name = %L AND k.row_id = ''''))
        ORDER BY 2', t.relname, t.relname, t.relname, t.relname)
      USING ws, string_to_array(args[1], ','), string_to_array(args[2], ',');
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
  END LOOP;
END $$;
-- +goose StatementEnd

-- As before; the parts of a version that an import told of come in with it.
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION draft_only() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
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
-- +goose StatementEnd

-- +goose Down
-- Records are never migrated away: restore a backup instead.
SELECT 1;
