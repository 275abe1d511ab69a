-- The workshop's register of eyewear. The site's row counts its changes, so that a sign-off can hold
-- on to the register as it was judged.
-- +goose Up
CREATE TABLE pair (
    id         uuid PRIMARY KEY,
    label      text NOT NULL CHECK (length(label) BETWEEN 1 AND 40),
    marking    text NOT NULL CHECK (length(marking) BETWEEN 1 AND 120),
    damaged    boolean NOT NULL DEFAULT false,
    looked_at  timestamptz NOT NULL DEFAULT now(),
    looked_by  uuid NOT NULL REFERENCES person,
    retired_at timestamptz,
    rev        bigint NOT NULL DEFAULT 1
);
CREATE UNIQUE INDEX pair_label ON pair (lower(label)) WHERE retired_at IS NULL;
CREATE INDEX answer_pair ON answer (lower(given ->> 'pair')) WHERE item = 'eyewear';
ALTER TABLE site ADD COLUMN pairs_rev bigint NOT NULL DEFAULT 1;
GRANT SELECT ON pair TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE ON pair TO kerfgate_app;
