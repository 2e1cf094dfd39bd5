-- What verify asks: does the chain hold, and does every record still stand as the trail last saw it?
-- +goose Up

-- +goose StatementBegin
CREATE FUNCTION chain_breaks(ws uuid) RETURNS TABLE (n bigint, change_id uuid, problem text)
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
   WHERE c.workshop_id = ws AND NOT EXISTS (SELECT FROM chain_link l WHERE l.workshop_id = ws AND l.change_id = c.id)
  UNION ALL
  SELECT h.n, NULL, 'the head of the chain is not its last link'
    FROM chain_head h LEFT JOIN LATERAL (SELECT x.n, x.hash FROM chain_link x WHERE x.workshop_id = ws ORDER BY x.n DESC LIMIT 1) z ON true
   WHERE h.workshop_id = ws AND (h.n <> coalesce(z.n, 0) OR h.hash <> coalesce(z.hash, ''::bytea))
  ORDER BY 1
$$;
-- +goose StatementEnd

-- Each audited table is found by its trigger, whose arguments say which values are personal or secret.
-- +goose StatementBegin
CREATE FUNCTION record_drift(ws uuid) RETURNS TABLE (table_name text, row_id text, problem text)
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
         FROM (SELECT DISTINCT ON (x.row_id) x.row_id, x.new FROM audit x WHERE x.workshop_id = $1 AND x.table_name = %L ORDER BY x.row_id, x.n DESC) a
         FULL JOIN (SELECT (to_jsonb(y) ->> ''id'') AS row_id, audit_image(to_jsonb(y), $2, $3) AS image FROM %I y WHERE y.workshop_id = $1) r ON r.row_id = a.row_id
        WHERE a.row_id IS NULL OR r.row_id IS NULL OR a.new <> r.image
        ORDER BY 2', t.relname, t.relname, t.relname)
      USING ws, string_to_array(args[1], ','), string_to_array(args[2], ',');
  END LOOP;
END $$;
-- +goose StatementEnd
REVOKE EXECUTE ON FUNCTION chain_breaks(uuid), record_drift(uuid) FROM PUBLIC;

-- +goose Down
SELECT 1;
