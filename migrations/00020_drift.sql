-- What a check of the book costs.
-- +goose Up

-- As before; a table that holds nothing of a workshop, and of which its trail tells nothing, has no rows to compare, and
-- one that no import wrote to has none to count. Planning the comparison took most of the time in a small book.
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION record_drift(ws uuid) RETURNS TABLE (table_name text, row_id text, problem text)
LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = public, pg_temp SET timezone = 'UTC' SET bytea_output = 'hex' AS $$
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
END $$;
-- +goose StatementEnd

-- +goose Down
-- Records are never migrated away: restore a backup instead.
SELECT 1;
