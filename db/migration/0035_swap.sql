-- +goose Up
-- Runs that were swapped to another lot at the station, and why.
CREATE TABLE queue_swap (
    id           bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    run          uuid NOT NULL REFERENCES run,
    by_person    uuid NOT NULL REFERENCES person,
    at           timestamptz NOT NULL DEFAULT now(),
    stock_before uuid NOT NULL REFERENCES stock,
    stock        uuid NOT NULL REFERENCES stock,
    reason       text NOT NULL CHECK (length(reason) BETWEEN 1 AND 200),
    salt         bytea NOT NULL CHECK (length(salt) = 16)
);
CREATE INDEX queue_swap_run ON queue_swap (run);
GRANT SELECT ON queue_swap TO kerfgate_app, kerfgate_reader;
GRANT INSERT ON queue_swap TO kerfgate_app;
