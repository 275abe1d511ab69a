-- What comes to be known of an incident later stands beside the report and changes nothing of it: each time
-- whole, and the newest counts.
-- +goose Up
CREATE TABLE incident_particulars (
    incident  uuid NOT NULL REFERENCES incident,
    n         bigint NOT NULL CHECK (n >= 1),
    at        timestamptz NOT NULL DEFAULT now(),
    by_person uuid NOT NULL REFERENCES person,
    severity  text NOT NULL CHECK (severity IN ('none', 'first aid', 'treatment', 'lasting harm', 'death')),
    potential text NOT NULL CHECK (potential IN ('none', 'first aid', 'treatment', 'lasting harm', 'death')),
    data      jsonb NOT NULL, -- what only officers and admins read
    salt      bytea NOT NULL CHECK (length(salt) = 16),
    PRIMARY KEY (incident, n)
);

-- Runs that an incident is about beside the one that it was reported with.
CREATE TABLE incident_about_run (
    incident  uuid NOT NULL REFERENCES incident,
    run       uuid NOT NULL REFERENCES run,
    at        timestamptz NOT NULL DEFAULT now(),
    by_person uuid NOT NULL REFERENCES person,
    PRIMARY KEY (incident, run)
);
CREATE INDEX incident_about_run_of ON incident_about_run (run);

-- The room around a machine, for how long it takes to clear after smoke; 0 = nobody knows.
ALTER TABLE machine
    ADD COLUMN room_m3        bigint NOT NULL DEFAULT 0 CHECK (room_m3 BETWEEN 0 AND 100000),
    ADD COLUMN fresh_m3_per_h bigint NOT NULL DEFAULT 0 CHECK (fresh_m3_per_h BETWEEN 0 AND 1000000);

GRANT SELECT ON incident_particulars, incident_about_run TO kerfgate_app, kerfgate_reader;
GRANT INSERT ON incident_particulars, incident_about_run TO kerfgate_app;
