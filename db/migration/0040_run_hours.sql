-- Hours of all machines by month are read from the index of the history, and those of one machine from
-- that of its history: one index fewer to write for each run.
-- +goose Up
DROP INDEX run_over;
CREATE INDEX run_over ON run (ended_at DESC, id DESC) INCLUDE (real_ms) WHERE phase = 'closed';
DROP INDEX run_over_machine;
CREATE INDEX run_over_machine ON run (machine, ended_at DESC, id DESC) INCLUDE (real_ms) WHERE phase = 'closed';
DROP INDEX run_hours;
