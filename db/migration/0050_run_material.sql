-- Of which material a run's lot is, kept beside the lot, so that what was done with a rare material on one machine
-- is found by an index.
-- +goose Up
ALTER TABLE run ADD COLUMN material uuid;
ALTER TABLE run DISABLE TRIGGER run_phase; -- it is no change of the run
UPDATE run SET material = s.material FROM stock s WHERE s.id = run.stock;
ALTER TABLE run ENABLE ALWAYS TRIGGER run_phase;
ALTER TABLE run ALTER COLUMN material SET NOT NULL;

-- +goose StatementBegin
CREATE FUNCTION run_of_stock() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    SELECT material INTO NEW.material FROM stock WHERE id = NEW.stock;
    RETURN NEW;
END $$;
-- +goose StatementEnd
CREATE TRIGGER run_of_stock BEFORE INSERT OR UPDATE OF stock ON run FOR EACH ROW EXECUTE FUNCTION run_of_stock();

CREATE INDEX run_over_material ON run (material, ended_at DESC, id DESC) WHERE phase = 'closed';
CREATE INDEX run_over_machine_material ON run (machine, material, ended_at DESC, id DESC) WHERE phase = 'closed';
DROP INDEX run_over_stock;
