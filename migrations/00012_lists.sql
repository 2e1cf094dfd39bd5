-- Indexes in the order of lists that are read a page at a time, by key.
-- +goose Up
CREATE INDEX supplier_by_name ON supplier (workshop_id, name, code);
CREATE INDEX material_by_name ON material (workshop_id, (retired_at IS NOT NULL), name, code);
CREATE INDEX product_by_name ON product (workshop_id, (retired_at IS NOT NULL), name, code);
CREATE INDEX formula_by_name ON formula (workshop_id, name, code);
CREATE INDEX customer_by_name ON customer (workshop_id, lower(name), code);
CREATE INDEX dispatch_by_customer_day ON dispatch (workshop_id, customer_id, dispatched_on, id);
DROP INDEX dispatch_by_customer;
CREATE INDEX plan_by_day ON plan (workshop_id, planned_on, id);
CREATE INDEX packing_retained ON packing (workshop_id, packed_on) WHERE units_retained > 0;

-- +goose Down
SELECT 1;
