-- A site is set up once, says how much one member may hand in, and knows when it was last looked after.
-- +goose Up
ALTER TABLE site
    -- when somebody chose what kind of site this is; a site whose people are at work was set up by its command line
    ADD COLUMN settled_at   timestamptz,
    -- what one member may hand in within a day, and have waiting at a time; without a bound one account fills the disk
    ADD COLUMN member_files int NOT NULL DEFAULT 300 CHECK (member_files BETWEEN 1 AND 100000),
    ADD COLUMN member_mib   int NOT NULL DEFAULT 1024 CHECK (member_mib BETWEEN 1 AND 1000000),
    ADD COLUMN member_runs  int NOT NULL DEFAULT 500 CHECK (member_runs BETWEEN 1 AND 100000);
UPDATE site SET settled_at = opened_at WHERE fire_edition <> '' OR EXISTS (SELECT FROM person);
CREATE INDEX drawing_received ON drawing (member, received_at);
CREATE INDEX plan_member_made ON plan (member, made_at);
CREATE INDEX run_waiting ON run (job) WHERE phase <> 'closed';

-- When the site was looked after: backups written, backups tried, the logbook checked. It is no state of the
-- site, so nothing is logged; an old line is never changed.
CREATE TABLE looked_after (
    what     text NOT NULL CHECK (what IN ('backup', 'restore test', 'logbook check')),
    at       timestamptz NOT NULL DEFAULT now(),
    good     boolean NOT NULL,
    said     text NOT NULL DEFAULT '' CHECK (length(said) <= 500),
    log_size bigint NOT NULL CHECK (log_size >= 0),
    PRIMARY KEY (what, at)
);
GRANT SELECT ON looked_after TO kerfgate_app, kerfgate_reader;
GRANT INSERT ON looked_after TO kerfgate_app;
