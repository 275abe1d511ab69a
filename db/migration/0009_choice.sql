-- When a member last chose what a plan was made with: a drawing that is handed in again begins with
-- the choice that was made for it last.
-- +goose Up
ALTER TABLE plan ADD COLUMN chosen_at timestamptz NOT NULL DEFAULT now();
UPDATE plan SET chosen_at = made_at;
CREATE INDEX plan_chosen ON plan (member, machine, chosen_at DESC);
