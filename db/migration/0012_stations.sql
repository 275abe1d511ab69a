-- Enrolment by one-time code, stations as devices of their own, PINs, and the hand-over of attendance.
-- +goose Up

-- A machine may be added before its worker is enrolled, and lose its worker's key.
ALTER TABLE machine DROP CONSTRAINT machine_worker_key_key;
CREATE UNIQUE INDEX machine_worker_key ON machine (worker_key) WHERE worker_key <> '';

-- Every key that a worker ever had: one that was replaced or taken away never comes back.
CREATE TABLE worker_key (
    public   text PRIMARY KEY CHECK (public <> ''),
    machine  uuid NOT NULL REFERENCES machine,
    since    timestamptz NOT NULL DEFAULT now(),
    ended_at timestamptz
);
INSERT INTO worker_key (public, machine) SELECT worker_key, id FROM machine WHERE worker_key <> '';

-- The code itself is never stored, only its SHA-256.
CREATE TABLE enrol_code (
    id         uuid PRIMARY KEY,
    code_hash  bytea NOT NULL UNIQUE CHECK (length(code_hash) = 32),
    kind       text NOT NULL CHECK (kind IN ('worker', 'station')),
    machine    uuid NOT NULL REFERENCES machine,
    name       text NOT NULL DEFAULT '' CHECK (length(name) <= 100),
    made_by    uuid REFERENCES person,
    made_at    timestamptz NOT NULL DEFAULT now(),
    expires_at timestamptz NOT NULL,
    ended_at   timestamptz -- used, or replaced by a newer code
);
CREATE INDEX enrol_code_machine ON enrol_code (machine) WHERE ended_at IS NULL;

CREATE TABLE station (
    id          uuid PRIMARY KEY,
    machine     uuid NOT NULL REFERENCES machine,
    name        text NOT NULL CHECK (length(name) BETWEEN 1 AND 100),
    salt        bytea NOT NULL CHECK (length(salt) = 16), -- of the name's digest in the logbook
    token_hash  bytea NOT NULL UNIQUE CHECK (length(token_hash) = 32),
    enrolled_at timestamptz NOT NULL DEFAULT now(),
    revoked_at  timestamptz
);

-- A session that was opened at a station ends with the station's own credential.
ALTER TABLE session ADD COLUMN station uuid REFERENCES station;
ALTER TABLE session DROP CONSTRAINT session_kind_check;
ALTER TABLE session ADD CONSTRAINT session_kind_check CHECK (kind IN ('browser', 'script', 'station'));
ALTER TABLE session ADD CONSTRAINT session_at_station CHECK (kind <> 'station' OR station IS NOT NULL);
CREATE INDEX session_station ON session (station) WHERE ended_at IS NULL AND kind = 'station';

CREATE TABLE pin (
    person   uuid PRIMARY KEY REFERENCES person,
    pin_hash text NOT NULL,
    set_at   timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE handover (
    run        uuid NOT NULL REFERENCES run,
    number     bigint NOT NULL CHECK (number >= 1),
    operator   uuid NOT NULL REFERENCES person,
    attendance bytea NOT NULL CHECK (length(attendance) = 32),
    note       text NOT NULL,
    at         timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (run, number)
);

GRANT SELECT ON worker_key, enrol_code, station, handover TO kerfgate_app, kerfgate_reader;
GRANT SELECT ON pin TO kerfgate_app;
GRANT INSERT, UPDATE ON worker_key, enrol_code, station, pin TO kerfgate_app;
GRANT INSERT ON handover TO kerfgate_app;
