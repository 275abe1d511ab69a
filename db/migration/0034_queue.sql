-- +goose Up
-- A run that an operator took ahead of its turn, and why.
CREATE TABLE queue_take (
    run       uuid PRIMARY KEY REFERENCES run,
    by_person uuid NOT NULL REFERENCES person,
    at        timestamptz NOT NULL DEFAULT now(),
    reason    text NOT NULL CHECK (length(reason) BETWEEN 1 AND 200),
    salt      bytea NOT NULL CHECK (length(salt) = 16)
);
-- The last time that a run's member was called to the machine, and whether they came.
CREATE TABLE queue_call (
    run       uuid PRIMARY KEY REFERENCES run,
    by_person uuid NOT NULL REFERENCES person,
    at        timestamptz NOT NULL DEFAULT now(),
    came_at   timestamptz
);
GRANT SELECT ON queue_take, queue_call TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE ON queue_take, queue_call TO kerfgate_app;
