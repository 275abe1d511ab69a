-- After a restore (I14): which workers' journals are still awaited, and under which origin the log
-- goes on.
-- +goose Up
-- The suffix of the log's origin; zero for a log that was never cut.
ALTER TABLE site ADD COLUMN log_epoch bytea NOT NULL DEFAULT '\x00000000000000000000000000000000' CHECK (length(log_epoch) = 16);
-- Which Postgres and which timeline of it the site was last opened on: another one is a restore.
ALTER TABLE site ADD COLUMN database_id text NOT NULL DEFAULT '';

CREATE TABLE awaited_journal (
    machine uuid NOT NULL REFERENCES machine,
    epoch   bytea NOT NULL CHECK (length(epoch) = 16),
    since   timestamptz NOT NULL DEFAULT now(),
    ended   text NOT NULL DEFAULT '' CHECK (ended IN ('', 'heard', 'written off')),
    reason  text NOT NULL DEFAULT '',
    salt    bytea NOT NULL DEFAULT '', -- of the reason's digest in the logbook
    PRIMARY KEY (machine, epoch)
);
CREATE INDEX awaited_journal_open ON awaited_journal (machine) WHERE ended = '';

INSERT INTO phase_move (from_phase, event, to_phase, outcome) VALUES
    ('proposed', 'restored', 'inspecting', 'interrupted'),
    ('checking', 'restored', 'inspecting', 'interrupted');

GRANT SELECT ON awaited_journal TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE ON awaited_journal TO kerfgate_app;
