-- Whose a run is and with which tool it is done, as its job has it and never changes: so one index finds what
-- somebody handed in, newest first, and what was tried on a machine.
-- +goose Up
ALTER TABLE run ADD COLUMN member uuid, ADD COLUMN tool text;
ALTER TABLE run DISABLE TRIGGER run_phase; -- it is no change of the run
UPDATE run SET member = j.member, tool = j.tool FROM job j WHERE j.id = run.job;
ALTER TABLE run ENABLE ALWAYS TRIGGER run_phase;
ALTER TABLE run ALTER COLUMN member SET NOT NULL, ALTER COLUMN tool SET NOT NULL;

-- +goose StatementBegin
CREATE FUNCTION run_of_job() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    SELECT member, tool INTO NEW.member, NEW.tool FROM job WHERE id = NEW.job;
    RETURN NEW;
END $$;
-- +goose StatementEnd
CREATE TRIGGER run_of_job BEFORE INSERT ON run FOR EACH ROW EXECUTE FUNCTION run_of_job();

CREATE INDEX run_over_member ON run (member, ended_at DESC, id DESC) WHERE phase = 'closed';
CREATE INDEX run_tried ON run (machine, tool, stock) INCLUDE (flame) WHERE phase = 'closed' AND outcome = 'completed';
