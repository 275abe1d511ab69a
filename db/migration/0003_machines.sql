-- +goose Up
CREATE TABLE profile (
    digest  bytea PRIMARY KEY CHECK (length(digest) = 32),
    data    bytea NOT NULL,
    made_at timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE machine (
    id         uuid PRIMARY KEY,
    name       text NOT NULL,
    bay        text NOT NULL UNIQUE,
    profile    bytea NOT NULL REFERENCES profile,
    tool       text NOT NULL,
    worker_key text NOT NULL UNIQUE,
    worker_url text NOT NULL,
    checklist  jsonb NOT NULL,
    checklist_digest bytea NOT NULL CHECK (length(checklist_digest) = 32),
    applied    bigint NOT NULL DEFAULT 0, -- greatest report number applied
    rev        bigint NOT NULL DEFAULT 1
);

CREATE TABLE authorisation (
    id           uuid PRIMARY KEY,
    person       uuid NOT NULL REFERENCES person,
    machine      uuid NOT NULL REFERENCES machine,
    granted_at   timestamptz NOT NULL DEFAULT now(),
    expires_at   timestamptz NOT NULL,
    withdrawn_at timestamptz
);
CREATE INDEX authorisation_person ON authorisation (person, machine) WHERE withdrawn_at IS NULL;

CREATE TABLE lockout (
    id        uuid PRIMARY KEY,
    machine   uuid NOT NULL REFERENCES machine,
    reason    text NOT NULL CHECK (length(reason) BETWEEN 1 AND 500),
    salt      bytea NOT NULL,
    set_by    uuid REFERENCES person,
    set_at    timestamptz NOT NULL DEFAULT now(),
    lifted_by uuid REFERENCES person,
    lifted_at timestamptz,
    lifted_reason text,
    CHECK ((lifted_at IS NULL) = (lifted_by IS NULL))
);
CREATE UNIQUE INDEX lockout_open ON lockout (machine) WHERE lifted_at IS NULL;
