-- Passkeys, and the challenges that a browser's authenticator answers.
-- +goose Up

CREATE TABLE passkey (
    id            uuid PRIMARY KEY,
    person        uuid NOT NULL REFERENCES person,
    name          text NOT NULL CHECK (length(name) BETWEEN 1 AND 100),
    -- WebAuthn Level 3, 6.1.3: the credential's id is at most 1023 bytes
    credential_id bytea NOT NULL UNIQUE CHECK (length(credential_id) BETWEEN 1 AND 1023),
    public_key    bytea NOT NULL CHECK (length(public_key) BETWEEN 1 AND 4096), -- COSE
    flags         smallint NOT NULL CHECK (flags BETWEEN 0 AND 255), -- of the authenticator, when it was added
    sign_count    bigint NOT NULL CHECK (sign_count BETWEEN 0 AND 4294967295),
    added_at      timestamptz NOT NULL DEFAULT now(),
    used_at       timestamptz
);
CREATE INDEX passkey_person ON passkey (person, added_at);

-- A challenge is answered once: taking it deletes it.
CREATE TABLE passkey_challenge (
    challenge_hash bytea PRIMARY KEY CHECK (length(challenge_hash) = 32),
    session        uuid REFERENCES session, -- of who adds a passkey; NULL to sign in
    ceremony       jsonb NOT NULL,
    expires_at     timestamptz NOT NULL
);
CREATE INDEX passkey_challenge_expires ON passkey_challenge (expires_at);
CREATE INDEX passkey_challenge_session ON passkey_challenge (session);

GRANT SELECT, INSERT, UPDATE, DELETE ON passkey TO kerfgate_app;
GRANT SELECT, INSERT, DELETE ON passkey_challenge TO kerfgate_app;
