-- The logbook: append-only (I7), gapless, its tree kept beside it. Roles are made by the cluster
-- or by an installer, never here.
-- +goose Up
CREATE TABLE site (
    one     boolean PRIMARY KEY DEFAULT true CHECK (one),
    name    text NOT NULL,
    kind    text NOT NULL CHECK (kind IN ('workshop', 'alone')),
    epoch   bytea NOT NULL CHECK (length(epoch) = 16),
    -- chosen by an officer at set-up: 30 (OSHA, IFC) or 60 (NFPA 51B-2019), borrowed from hot work
    fire_watch_minutes int NOT NULL CHECK (fire_watch_minutes BETWEEN 1 AND 240),
    opened_at timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE log_head (
    one      boolean PRIMARY KEY DEFAULT true CHECK (one),
    size     bigint NOT NULL,
    frontier bytea NOT NULL
);
INSERT INTO log_head (size, frontier) VALUES (0, '');

CREATE TABLE log_entry (
    index   bigint PRIMARY KEY,
    data    bytea NOT NULL CHECK (length(data) BETWEEN 2 AND 65535),
    at      timestamptz NOT NULL,
    kind    text NOT NULL
);
CREATE INDEX log_entry_kind ON log_entry (kind text_pattern_ops, index);

CREATE TABLE log_subject (
    subject uuid NOT NULL,
    index   bigint NOT NULL REFERENCES log_entry,
    PRIMARY KEY (subject, index)
);

CREATE TABLE log_hash (
    index bigint PRIMARY KEY,
    hash  bytea NOT NULL CHECK (length(hash) = 32)
);

-- Signed heads, kept so that every later state can be checked against every earlier one.
CREATE TABLE log_signed_head (
    size bigint PRIMARY KEY,
    note text NOT NULL,
    at   timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE follower (
    name text PRIMARY KEY,
    next bigint NOT NULL
);

-- +goose StatementBegin
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only', TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION log_entry_next() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE expected bigint;
BEGIN
    SELECT coalesce(max(index) + 1, 0) INTO expected FROM log_entry;
    IF NEW.index <> expected THEN
        RAISE EXCEPTION 'logbook entry % where % is next', NEW.index, expected USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
-- +goose StatementEnd

CREATE TRIGGER log_entry_append BEFORE INSERT ON log_entry FOR EACH ROW EXECUTE FUNCTION log_entry_next();
CREATE TRIGGER log_entry_keep BEFORE UPDATE OR DELETE ON log_entry FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_entry_whole BEFORE TRUNCATE ON log_entry FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_hash_keep BEFORE UPDATE OR DELETE ON log_hash FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_hash_whole BEFORE TRUNCATE ON log_hash FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_subject_keep BEFORE UPDATE OR DELETE ON log_subject FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_subject_whole BEFORE TRUNCATE ON log_subject FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_signed_head_keep BEFORE UPDATE OR DELETE ON log_signed_head FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER log_signed_head_whole BEFORE TRUNCATE ON log_signed_head FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE log_entry ENABLE ALWAYS TRIGGER log_entry_append;
ALTER TABLE log_entry ENABLE ALWAYS TRIGGER log_entry_keep;
ALTER TABLE log_entry ENABLE ALWAYS TRIGGER log_entry_whole;
ALTER TABLE log_hash ENABLE ALWAYS TRIGGER log_hash_keep;
ALTER TABLE log_hash ENABLE ALWAYS TRIGGER log_hash_whole;
ALTER TABLE log_subject ENABLE ALWAYS TRIGGER log_subject_keep;
ALTER TABLE log_subject ENABLE ALWAYS TRIGGER log_subject_whole;
ALTER TABLE log_signed_head ENABLE ALWAYS TRIGGER log_signed_head_keep;
ALTER TABLE log_signed_head ENABLE ALWAYS TRIGGER log_signed_head_whole;
