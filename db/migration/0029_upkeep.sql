-- Work on a machine that is due by days, by machine hours or by runs.
-- +goose Up
CREATE TABLE upkeep_task (
    id       uuid PRIMARY KEY,
    machine  uuid NOT NULL REFERENCES machine,
    what     text NOT NULL CHECK (length(what) BETWEEN 1 AND 200),
    days     bigint NOT NULL DEFAULT 0 CHECK (days BETWEEN 0 AND 3650),
    hours    bigint NOT NULL DEFAULT 0 CHECK (hours BETWEEN 0 AND 100000),
    runs     bigint NOT NULL DEFAULT 0 CHECK (runs BETWEEN 0 AND 1000000),
    critical boolean NOT NULL, -- for safety: overdue it locks the machine out
    since    timestamptz NOT NULL DEFAULT now(), -- done last, or set
    retired_at timestamptz,
    rev      bigint NOT NULL DEFAULT 1,
    CONSTRAINT upkeep_interval CHECK (days + hours + runs > 0)
);
CREATE INDEX upkeep_of ON upkeep_task (machine) WHERE retired_at IS NULL;

CREATE TABLE upkeep_done (
    id     uuid PRIMARY KEY,
    task   uuid NOT NULL REFERENCES upkeep_task,
    by_person uuid NOT NULL REFERENCES person,
    at     timestamptz NOT NULL DEFAULT now(),
    note   text NOT NULL CHECK (length(note) BETWEEN 1 AND 500),
    photo  bytea REFERENCES blob
);
CREATE INDEX upkeep_done_of ON upkeep_done (task, at DESC);

ALTER TABLE lockout DROP CONSTRAINT lockout_cause_check;
ALTER TABLE lockout ADD CONSTRAINT lockout_cause_check CHECK (cause IN ('', 'calibration', 'upkeep'));

GRANT SELECT ON upkeep_task, upkeep_done TO kerfgate_app, kerfgate_reader;
GRANT INSERT ON upkeep_task, upkeep_done TO kerfgate_app;
GRANT UPDATE ON upkeep_task TO kerfgate_app;
