-- Several jobs that belong to one finished object.
-- +goose Up
CREATE TABLE job_set (
    id      uuid PRIMARY KEY,
    member  uuid NOT NULL REFERENCES person,
    name    text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    salt    bytea NOT NULL,
    made_at timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX job_set_member ON job_set (member, id DESC);
ALTER TABLE job ADD COLUMN set_id uuid REFERENCES job_set;
CREATE INDEX job_of_set ON job (set_id, id) WHERE set_id IS NOT NULL;

GRANT SELECT ON job_set TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE ON job_set TO kerfgate_app; -- UPDATE for its lock alone
