-- A worker that begins with an empty folder cannot tell what the one before it burned: its machine's
-- journal is lost, and after a restore only a person may write it off.
-- +goose Up
ALTER TABLE awaited_journal ADD COLUMN lost boolean NOT NULL DEFAULT false;
