-- What comes in as a whole: an import is one change, whose rows stand in the trail as a count and a digest.
-- +goose Up

-- The change that this transaction records under; the house's tables name it.
-- +goose StatementBegin
CREATE FUNCTION current_change() RETURNS uuid
LANGUAGE sql STABLE SET search_path = pg_catalog, pg_temp AS $$
  SELECT nullif(current_setting('app.change_id', true), '')::uuid
$$;
-- +goose StatementEnd

-- A moment as the interchange writes it: RFC 3339 in UTC, without the zeros of a fraction.
-- +goose StatementBegin
CREATE FUNCTION moment_text(at timestamptz) RETURNS text
LANGUAGE sql IMMUTABLE SET search_path = pg_catalog, pg_temp AS $$
  SELECT rtrim(rtrim(to_char(at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US'), '0'), '.') || 'Z'
$$;
-- +goose StatementEnd

-- One row's part of a digest. Empty columns are left out, so that a column added later changes none.
-- +goose StatementBegin
CREATE FUNCTION row_digest(image jsonb) RETURNS bytea
LANGUAGE sql IMMUTABLE SET search_path = pg_catalog, pg_temp AS $$
  SELECT sha256(convert_to(jsonb_strip_nulls(image)::text, 'UTF8'))
$$;
-- +goose StatementEnd

-- As before, and where the transaction brings in a whole (app.bulk is on), rows that are new leave one row in the trail
-- for each table: how many, and the SHA-256 of their digests in order of id. One statement a table and change, or verify
-- could not tell which rows a digest is of.
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
    IF EXISTS (SELECT FROM audit a WHERE a.workshop_id = current_workshop() AND a.change_id = change_now AND a.table_name = TG_TABLE_NAME AND a.op = 'I') THEN
      RAISE EXCEPTION '% was filled twice in one import', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'audit_bulk_once';
    END IF;
    IF personal = '{}' AND secret = '{}' THEN
      INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, new)
      SELECT current_workshop(), change_now, TG_TABLE_NAME, 'I', '', jsonb_build_object('rows', count(*),
             'sha256', encode(sha256(string_agg(row_digest(r.j), ''::bytea ORDER BY (r.j ->> 'id') COLLATE "C")), 'hex'))
        FROM (SELECT to_jsonb(t) AS j FROM new_rows t) r;
    ELSE
      INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, new)
      SELECT current_workshop(), change_now, TG_TABLE_NAME, 'I', '', jsonb_build_object('rows', count(*),
             'sha256', encode(sha256(string_agg(row_digest(audit_image(r.j, personal, secret)), ''::bytea ORDER BY (r.j ->> 'id') COLLATE "C")), 'hex'))
        FROM (SELECT to_jsonb(t) AS j FROM new_rows t) r;
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

-- A row that came in with an import has no image of its own in the trail: the rows of that import, as they were then (the
-- first image that a later change kept, else as they are), have to be as many as were counted and give the same digest.
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
           OR (a.row_id IS NULL AND NOT EXISTS (SELECT FROM audit k WHERE k.workshop_id = $1 AND k.change_id = r.change_id AND k.table_name = %L AND k.row_id = ''''))
        ORDER BY 2', t.relname, t.relname, t.relname, t.relname)
      USING ws, string_to_array(args[1], ','), string_to_array(args[2], ',');
    RETURN QUERY EXECUTE format(
      'SELECT %L::text, b.change_id::text, ''the rows of this import are not those that came in''
         FROM audit b LEFT JOIN LATERAL (
              SELECT count(*) AS rows, encode(sha256(string_agg(row_digest(i.image), ''''::bytea ORDER BY i.row_id COLLATE "C")), ''hex'') AS sha
                FROM (SELECT r.row_id, coalesce(f.old, r.image) AS image
                        FROM (SELECT (to_jsonb(y) ->> ''id'') AS row_id, audit_image(to_jsonb(y), $2, $3) AS image FROM %I y WHERE y.workshop_id = $1) r
                        LEFT JOIN LATERAL (SELECT x.op, x.old FROM audit x WHERE x.workshop_id = $1 AND x.table_name = %L AND x.row_id = r.row_id ORDER BY x.n LIMIT 1) f ON true
                       WHERE f.op IS DISTINCT FROM ''I'') i
               WHERE i.image ->> ''change_id'' = b.change_id::text) m ON true
        WHERE b.workshop_id = $1 AND b.table_name = %L AND b.row_id = ''''
          AND (m.rows IS DISTINCT FROM (b.new ->> ''rows'')::bigint OR m.sha IS DISTINCT FROM b.new ->> ''sha256'')
        ORDER BY 2', t.relname, t.relname, t.relname, t.relname)
      USING ws, string_to_array(args[1], ','), string_to_array(args[2], ',');
  END LOOP;
END $$;
-- +goose StatementEnd

-- An older book may know one of the two only.
ALTER TABLE batch ADD COLUMN only_temperature_c numeric CHECK (only_temperature_c BETWEEN -45 AND 80);
ALTER TABLE batch ADD COLUMN only_humidity_pct numeric CHECK (only_humidity_pct BETWEEN 0 AND 100);
COMMENT ON COLUMN batch.only_temperature_c IS 'Of a history batch: the room''s temperature at making where the older book says nothing of its humidity; else both are in batch_climate.';
COMMENT ON COLUMN batch.only_humidity_pct IS 'Of a history batch: the room''s humidity at making where the older book says nothing of its temperature.';

-- What an older book says is not judged: units that came in as a gift, a pouring of nothing. Pages ask for the sign.
ALTER TABLE unit_move DROP CONSTRAINT unit_move_leaving;
ALTER TABLE stock_move DROP CONSTRAINT stock_move_write_off;
ALTER TABLE lot_input DROP CONSTRAINT lot_input_quantity_check;
ALTER TABLE lot_input ADD CONSTRAINT lot_input_quantity_check CHECK (quantity >= 0);
-- A move may be corrected by an import, and keeps its code then, as returns and unit moves do.
ALTER TABLE stock_move DROP CONSTRAINT stock_move_code_key;
CREATE UNIQUE INDEX stock_move_code_key ON stock_move (workshop_id, code) WHERE replaced_by IS NULL;

-- A reading is no record, but one that an import changes leaves old and new in the trail.
GRANT UPDATE (temperature_c, humidity_pct) ON climate_reading TO stillroom_app;
-- +goose StatementBegin
CREATE FUNCTION audit_readings() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp SET timezone = 'UTC' AS $$
BEGIN
  INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, old, new)
  SELECT n.workshop_id, current_change(), 'climate_reading', 'U', n.place || '@' || moment_text(n.taken_at), to_jsonb(o), to_jsonb(n)
    FROM old_rows o JOIN new_rows n ON n.workshop_id = o.workshop_id AND n.place = o.place AND n.taken_at = o.taken_at;
  RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER audit_update AFTER UPDATE ON climate_reading REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
  FOR EACH STATEMENT EXECUTE FUNCTION audit_readings();

-- An import gives an empty workshop the code that it had in the book it came from.
DROP TRIGGER audit_update ON workshop;
CREATE TRIGGER audit_update AFTER UPDATE ON workshop REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
  FOR EACH STATEMENT EXECUTE FUNCTION audit_rows('', '', 'code,name,zone,code_pattern,soon_days,readability_g,min_load_g,named,is_demo,mass_unit,temp_unit,date_style');

-- +goose Down
SELECT 1;
