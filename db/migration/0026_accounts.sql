-- Invitations, tokens of programs, erasing a person, and authorisations with their evidence.
-- +goose Up

-- 'all' is for a site of one person, who holds every role.
ALTER TABLE person DROP CONSTRAINT person_role_check;
ALTER TABLE person ADD CONSTRAINT person_role_check CHECK (role IN ('member', 'officer', 'admin', 'all'));
-- A person who was erased keeps nothing that tells who it was; without the salt the logbook's digest of the name is no proof of it.
ALTER TABLE person ALTER COLUMN salt DROP NOT NULL;
ALTER TABLE person ADD COLUMN added_at timestamptz NOT NULL DEFAULT now(), ADD COLUMN erased_at timestamptz;
ALTER TABLE person ADD CONSTRAINT person_erased CHECK (erased_at IS NULL AND salt IS NOT NULL
    OR erased_at IS NOT NULL AND salt IS NULL AND disabled_at IS NOT NULL AND password_hash = '' AND name = 'erased' AND sign_in_name = 'erased ' || id::text);
CREATE INDEX person_list ON person (lower(name), id) WHERE erased_at IS NULL;

ALTER TABLE authorisation
    ADD COLUMN granted_by  uuid REFERENCES person,
    ADD COLUMN evidence    text NOT NULL DEFAULT '' CHECK (length(evidence) <= 300),
    -- months without a run on the machine after which a refresher is due; NULL for none
    ADD COLUMN idle_months int CHECK (idle_months BETWEEN 1 AND 60),
    ADD COLUMN used_at     timestamptz;
-- The one place that says whether an authorisation holds.
-- +goose StatementBegin
CREATE FUNCTION authorisation_holds(a authorisation) RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT a.withdrawn_at IS NULL AND a.expires_at > now()
       AND (a.idle_months IS NULL OR greatest(a.granted_at, a.used_at) + make_interval(months => a.idle_months) > now())
$$;
-- +goose StatementEnd

-- A link by which somebody chooses their own sign-in name and password, once; with a person, a new password for them.
CREATE TABLE invitation (
    id          uuid PRIMARY KEY,
    secret_hash bytea NOT NULL UNIQUE CHECK (length(secret_hash) = 32),
    role        text NOT NULL CHECK (role IN ('member', 'officer', 'admin', 'all')),
    name        text NOT NULL CHECK (length(name) BETWEEN 1 AND 100),
    person      uuid REFERENCES person,
    made_by     uuid REFERENCES person,
    made_at     timestamptz NOT NULL DEFAULT now(),
    expires_at  timestamptz NOT NULL,
    ended_at    timestamptz
);
CREATE INDEX invitation_open ON invitation (made_at) WHERE ended_at IS NULL;

-- A token is a session of a program, with a name and what it may do.
ALTER TABLE session DROP CONSTRAINT session_kind_check;
ALTER TABLE session ADD CONSTRAINT session_kind_check CHECK (kind IN ('browser', 'script', 'station', 'token'));
ALTER TABLE session ADD COLUMN name text NOT NULL DEFAULT '' CHECK (length(name) <= 100), ADD COLUMN scopes text[] NOT NULL DEFAULT '{}';
ALTER TABLE session ADD CONSTRAINT session_scopes CHECK ((kind = 'token') = (cardinality(scopes) > 0) AND scopes <@ ARRAY['read', 'hand-in']);

GRANT SELECT ON invitation TO kerfgate_app;
GRANT INSERT, UPDATE ON invitation TO kerfgate_app;
GRANT EXECUTE ON FUNCTION authorisation_holds(authorisation) TO kerfgate_app, kerfgate_reader;
GRANT DELETE ON pin, refusal TO kerfgate_app;
