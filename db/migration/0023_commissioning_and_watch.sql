-- What was measured at a machine, question by question, so that it can be left and taken up again; and what a
-- fire watch asks of whoever keeps it.
-- +goose Up
CREATE TABLE commissioning (
    id       uuid PRIMARY KEY,
    machine  uuid NOT NULL REFERENCES machine,
    tool     text NOT NULL,
    profile  bytea NOT NULL REFERENCES profile, -- in force when it began
    begun_by uuid NOT NULL REFERENCES person,
    begun_at timestamptz NOT NULL DEFAULT now(),
    ended_by uuid REFERENCES person,
    ended_at timestamptz,
    result   bytea REFERENCES profile, -- NULL with ended_at: given up
    rev      bigint NOT NULL DEFAULT 1,
    CHECK ((ended_at IS NULL) = (ended_by IS NULL)),
    CHECK (result IS NULL OR ended_at IS NOT NULL)
);
CREATE UNIQUE INDEX commissioning_open ON commissioning (machine) WHERE ended_at IS NULL;
CREATE INDEX commissioning_machine ON commissioning (machine, begun_at DESC);

CREATE TABLE commissioning_answer (
    commissioning uuid NOT NULL REFERENCES commissioning,
    question    text NOT NULL,
    measured    boolean NOT NULL, -- false: left unmeasured on purpose
    numbers     bigint[] NOT NULL,
    words       text NOT NULL CHECK (length(words) <= 200),
    way         text NOT NULL CHECK (length(way) <= 100),
    instrument  text NOT NULL CHECK (length(instrument) <= 200),
    measured_by uuid NOT NULL REFERENCES person,
    told_by     uuid NOT NULL REFERENCES person,
    told_at     timestamptz NOT NULL DEFAULT now(),
    salt        bytea NOT NULL,
    PRIMARY KEY (commissioning, question)
);
GRANT SELECT ON commissioning, commissioning_answer TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE ON commissioning, commissioning_answer TO kerfgate_app;

-- How long the fire watch lasts is chosen, not assumed: until an officer did, no beam runs ('').
ALTER TABLE site ADD COLUMN fire_edition text NOT NULL DEFAULT '';
ALTER TABLE watch
    ADD COLUMN seen_at   timestamptz NOT NULL DEFAULT now(), -- the last look
    ADD COLUMN every     interval NOT NULL DEFAULT interval '10 minutes', -- between two looks
    ADD COLUMN missed_at timestamptz; -- a look was missed since the last one, and that was logged
CREATE TABLE watch_look (
    watch     uuid NOT NULL REFERENCES watch,
    at        timestamptz NOT NULL DEFAULT clock_timestamp(),
    by_person uuid NOT NULL REFERENCES person,
    saw       text NOT NULL CHECK (saw IN ('nothing', 'fire')),
    PRIMARY KEY (watch, at)
);
GRANT SELECT ON watch_look TO kerfgate_app, kerfgate_reader;
GRANT INSERT ON watch_look TO kerfgate_app;
