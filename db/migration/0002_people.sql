-- +goose Up
CREATE TABLE person (
    id            uuid PRIMARY KEY,
    sign_in_name  text NOT NULL,
    name          text NOT NULL,
    role          text NOT NULL CHECK (role IN ('member', 'officer', 'admin')),
    password_hash text NOT NULL,
    -- names never enter the logbook: only their digest with this salt does
    salt          bytea NOT NULL CHECK (length(salt) = 16),
    disabled_at   timestamptz,
    rev           bigint NOT NULL DEFAULT 1
);
CREATE UNIQUE INDEX person_sign_in_name ON person (lower(sign_in_name));

CREATE TABLE session (
    id         uuid PRIMARY KEY,
    token_hash bytea NOT NULL UNIQUE CHECK (length(token_hash) = 32),
    person     uuid NOT NULL REFERENCES person,
    kind       text NOT NULL CHECK (kind IN ('browser', 'script')),
    created_at timestamptz NOT NULL DEFAULT now(),
    used_at    timestamptz NOT NULL DEFAULT now(),
    expires_at timestamptz NOT NULL,
    ended_at   timestamptz
);
CREATE INDEX session_person ON session (person) WHERE ended_at IS NULL;

-- Refusals of signed-in people: at most one logbook entry per person, route and minute.
CREATE TABLE refusal (
    person uuid NOT NULL REFERENCES person,
    route  text NOT NULL,
    minute timestamptz NOT NULL,
    count  bigint NOT NULL,
    logged bigint NOT NULL DEFAULT 0,
    PRIMARY KEY (person, route, minute)
);

CREATE TABLE idempotency (
    person    uuid NOT NULL REFERENCES person,
    route     text NOT NULL,
    key       text NOT NULL CHECK (length(key) BETWEEN 1 AND 200),
    body_hash bytea NOT NULL CHECK (length(body_hash) = 32),
    status    int,
    answer    bytea,
    at        timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (person, route, key)
);
CREATE INDEX idempotency_at ON idempotency (at);
