-- +goose Up
-- Drawings, plans and pictures: chunks of at most 1 MiB by digest.
CREATE TABLE blob (
    digest bytea PRIMARY KEY CHECK (length(digest) = 32),
    size   bigint NOT NULL
);
CREATE TABLE blob_chunk (
    digest bytea NOT NULL REFERENCES blob ON DELETE CASCADE,
    n      int NOT NULL,
    data   bytea NOT NULL CHECK (length(data) BETWEEN 0 AND 1048576),
    PRIMARY KEY (digest, n)
);

CREATE TABLE drawing (
    id          uuid PRIMARY KEY,
    digest      bytea NOT NULL REFERENCES blob,
    member      uuid NOT NULL REFERENCES person,
    file_name   text NOT NULL,
    salt        bytea NOT NULL,
    received_at timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX drawing_member ON drawing (member, id);

CREATE TABLE plan (
    digest     bytea NOT NULL REFERENCES blob,
    member     uuid NOT NULL REFERENCES person,
    drawing    uuid NOT NULL REFERENCES drawing,
    machine    uuid NOT NULL REFERENCES machine,
    tool       text NOT NULL,
    material   uuid NOT NULL REFERENCES material,
    stock      uuid NOT NULL REFERENCES stock,
    choice     jsonb NOT NULL,
    profile    bytea NOT NULL REFERENCES profile,
    total_ms   bigint NOT NULL,
    made_at    timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (digest, member)
);

CREATE TABLE job (
    id           uuid PRIMARY KEY,
    member       uuid NOT NULL REFERENCES person,
    title        text NOT NULL CHECK (length(title) BETWEEN 1 AND 120),
    salt         bytea NOT NULL,
    drawing      uuid NOT NULL REFERENCES drawing,
    plan         bytea NOT NULL REFERENCES blob,
    machine      uuid NOT NULL REFERENCES machine,
    tool         text NOT NULL,
    material     uuid NOT NULL REFERENCES material,
    stock        uuid NOT NULL REFERENCES stock,
    copies       bigint NOT NULL CHECK (copies BETWEEN 1 AND 200),
    due          timestamptz,
    submitted_at timestamptz NOT NULL DEFAULT now(),
    withdrawn_at timestamptz,
    rev          bigint NOT NULL DEFAULT 1
);
CREATE INDEX job_member ON job (member, id DESC);
CREATE INDEX job_machine ON job (machine, id);
