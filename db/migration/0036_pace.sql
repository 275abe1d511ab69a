-- What ran on a machine last, to reckon how long runs take there and who had how much of it.
-- +goose Up
CREATE INDEX run_pace ON run (machine, ended_at) WHERE phase = 'closed' AND real_ms > 0;
