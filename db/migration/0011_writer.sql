-- Many changes share a transaction and with it the statements that append to the logbook. What was
-- asked of each row is asked once of each statement, and refuses the same.
-- +goose Up
-- Entries 0 to n − 1 are there. Those added follow each other without a gap and the first follows one
-- that is there; no index is there twice. So they are n and what follows it.
-- +goose StatementBegin
CREATE FUNCTION log_entry_follows() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE first bigint; last bigint; added bigint;
BEGIN
    SELECT min(index), max(index), count(*) INTO first, last, added FROM new_entry;
    IF added = 0 THEN
        RETURN NULL;
    END IF;
    IF last - first + 1 <> added OR first < 0 OR (first > 0 AND NOT EXISTS (SELECT 1 FROM log_entry WHERE index = first - 1)) THEN
        RAISE EXCEPTION 'logbook entries % to % do not follow the last one without a gap', first, last USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER log_entry_append_all AFTER INSERT ON log_entry REFERENCING NEW TABLE AS new_entry
    FOR EACH STATEMENT EXECUTE FUNCTION log_entry_follows();
ALTER TABLE log_entry ENABLE ALWAYS TRIGGER log_entry_append_all;
DROP TRIGGER log_entry_append ON log_entry;
DROP FUNCTION log_entry_next;

-- A subject stands at an entry that there is: they are there without a gap and for ever, so it is
-- enough to look for the greatest, and once.
-- +goose StatementBegin
CREATE FUNCTION log_subject_stands() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE first bigint; last bigint;
BEGIN
    SELECT min(index), max(index) INTO first, last FROM new_subject;
    IF first < 0 OR (last IS NOT NULL AND NOT EXISTS (SELECT 1 FROM log_entry WHERE index = last)) THEN
        RAISE EXCEPTION 'no logbook entry % for a subject', last USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER log_subject_append AFTER INSERT ON log_subject REFERENCING NEW TABLE AS new_subject
    FOR EACH STATEMENT EXECUTE FUNCTION log_subject_stands();
ALTER TABLE log_subject ENABLE ALWAYS TRIGGER log_subject_append;
ALTER TABLE log_subject DROP CONSTRAINT log_subject_index_fkey;
