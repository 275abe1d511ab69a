-- When an operator took a run up: what laying its sheet and its checks take is the time from there until it moves.
-- +goose Up
ALTER TABLE run ADD COLUMN taken_up_at timestamptz;
