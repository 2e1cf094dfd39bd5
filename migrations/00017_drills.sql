-- What a drill and the papers that are kept for an authority ask for.
-- +goose Up

-- Where the workshop sells, and what that means for how long papers are kept.
ALTER TABLE workshop ADD COLUMN markets text;
ALTER TABLE workshop ADD COLUMN us_small_business boolean;
ALTER TABLE workshop ADD CONSTRAINT workshop_markets_check CHECK (markets IN ('eu', 'uk', 'us', 'eu,uk', 'eu,us', 'uk,us', 'eu,uk,us'));
COMMENT ON COLUMN workshop.markets IS 'Where it sells: eu, uk, us, apart by commas in this order; empty where nobody said.';
COMMENT ON COLUMN workshop.us_small_business IS 'As the workshop says, a small business in the sense of the US cosmetics law; empty where nobody said.';

ALTER TABLE product ADD COLUMN us_soap text;
ALTER TABLE product ADD CONSTRAINT product_us_soap_check CHECK (us_soap IN ('soap', 'cosmetic'));
COMMENT ON COLUMN product.us_soap IS 'In the USA only soap (21 CFR 701.20) or a cosmetic, as the workshop says; empty where nobody said.';

-- The settings of 00015 and these change without a reason, as the others do.
DROP TRIGGER audit_update ON workshop;
CREATE TRIGGER audit_update AFTER UPDATE ON workshop REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT
  EXECUTE FUNCTION audit_rows('', '', 'code,name,zone,code_pattern,soon_days,readability_g,min_load_g,named,is_demo,mass_unit,temp_unit,date_style,drill_minutes,contact,markets,us_small_business');

-- A drill.
ALTER TABLE recall ADD COLUMN drawn boolean;
ALTER TABLE recall ADD CONSTRAINT recall_drawn CHECK (drill OR drawn IS NOT TRUE);
COMMENT ON COLUMN recall.drawn IS 'A drill''s lot was drawn at random by the program. Empty is no.';
ALTER TABLE recall_scope ADD COLUMN counted_book integer;
ALTER TABLE recall_scope ADD CONSTRAINT recall_scope_counted_book CHECK (counted_book IS NULL OR counted IS NOT NULL);
COMMENT ON COLUMN recall_scope.counted_book IS 'On hand by the book at the moment it was counted for a drill, which blocks nothing: units may have left since it began.';
DROP TRIGGER audit_update ON recall_scope;
CREATE TRIGGER audit_update AFTER UPDATE ON recall_scope REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows FOR EACH STATEMENT EXECUTE FUNCTION audit_rows('', '', 'counted,counted_book');

-- +goose Down
SELECT 1;
