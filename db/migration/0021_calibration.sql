-- How a machine's carriage really moves: patterns drawn, distances measured, what was found, what a person
-- made of it; and when it is due again.
-- +goose Up
CREATE TABLE calibration (
    id         uuid PRIMARY KEY,
    machine    uuid NOT NULL REFERENCES machine,
    job        uuid NOT NULL UNIQUE REFERENCES job, -- whose runs draw the pattern
    profile    bytea NOT NULL REFERENCES profile,   -- that draws it
    pattern    jsonb NOT NULL,
    started_by uuid NOT NULL REFERENCES person,
    started_at timestamptz NOT NULL DEFAULT now(),
    readings   jsonb,
    result     jsonb,
    proposal   jsonb, -- what would change, and the error over the bed
    measured_by uuid REFERENCES person,
    measured_at timestamptz,
    decision   text NOT NULL DEFAULT '' CHECK (decision IN ('', 'accepted', 'refused')),
    decided_by uuid REFERENCES person,
    decided_at timestamptz,
    reason     text NOT NULL DEFAULT '' CHECK (length(reason) <= 500),
    salt       bytea NOT NULL,
    after      bytea REFERENCES profile, -- in force since it was accepted
    rev        bigint NOT NULL DEFAULT 1,
    CONSTRAINT calibration_measured CHECK ((measured_at IS NULL) = (result IS NULL) AND (measured_at IS NULL) = (measured_by IS NULL)),
    CONSTRAINT calibration_decided CHECK ((decision = '') = (decided_at IS NULL) AND (decision = '') = (decided_by IS NULL)
        AND (decision = 'accepted') = (after IS NOT NULL) AND (decision <> 'accepted' OR measured_at IS NOT NULL))
);
CREATE INDEX calibration_machine ON calibration (machine, id DESC);
CREATE INDEX calibration_accepted ON calibration (machine, measured_at DESC) WHERE decision = 'accepted';
-- Machine hours since an instant, without reading the runs themselves.
CREATE INDEX run_hours ON run (machine, ended_at) INCLUDE (real_ms) WHERE phase = 'closed';

-- How often; 0 = never by that measure.
ALTER TABLE machine
    ADD COLUMN calibrate_days  bigint NOT NULL DEFAULT 180 CHECK (calibrate_days BETWEEN 0 AND 3650),
    ADD COLUMN calibrate_hours bigint NOT NULL DEFAULT 200 CHECK (calibrate_hours BETWEEN 0 AND 100000);
-- A lockout that a rule set says which, so that the rule can tell it from others.
ALTER TABLE lockout ADD COLUMN cause text NOT NULL DEFAULT '' CHECK (cause IN ('', 'calibration'));
CREATE INDEX lockout_cause ON lockout (machine, lifted_at DESC) WHERE cause <> '';

GRANT SELECT ON calibration TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE ON calibration TO kerfgate_app;
