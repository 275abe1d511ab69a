-- +goose Up
-- Two machines that the safety officer found to stand in one view: an operator may attend a run with a beam on
-- each at a time. A pair is two rows, so that no machine is in two of them.
CREATE TABLE machine_view (
    machine  uuid PRIMARY KEY REFERENCES machine,
    other    uuid NOT NULL UNIQUE REFERENCES machine,
    named_by uuid NOT NULL REFERENCES person,
    named_at timestamptz NOT NULL DEFAULT now(),
    CHECK (other <> machine)
);
GRANT SELECT ON machine_view TO kerfgate_app, kerfgate_reader;
GRANT INSERT, DELETE ON machine_view TO kerfgate_app;

CREATE INDEX run_attended ON run (operator)
    WHERE phase IN ('permitted', 'starting', 'running', 'paused', 'purging');
