-- A product's number in trade, for bar codes and for traceability events.
-- +goose Up
ALTER TABLE product ADD COLUMN gtin text COLLATE "C";
ALTER TABLE product ADD CONSTRAINT product_gtin_digits CHECK (gtin ~ '^([0-9]{8}|[0-9]{12}|[0-9]{13}|[0-9]{14})$');
COMMENT ON COLUMN product.gtin IS 'The product''s GTIN as it stands on its label, 8, 12, 13 or 14 digits; empty where it has none. The check digit is checked where it is typed.';

-- +goose Down
SELECT 1;
