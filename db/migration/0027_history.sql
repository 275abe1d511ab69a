-- What ran, newest first, by machine, operator, outcome and member.
-- +goose Up
CREATE INDEX run_over ON run (ended_at DESC, id DESC) WHERE phase = 'closed';
CREATE INDEX run_over_machine ON run (machine, ended_at DESC, id DESC) WHERE phase = 'closed';
CREATE INDEX run_over_operator ON run (operator, ended_at DESC, id DESC) WHERE phase = 'closed';
CREATE INDEX run_over_outcome ON run (outcome, ended_at DESC, id DESC) WHERE phase = 'closed';
CREATE INDEX run_over_stock ON run (stock, ended_at DESC, id DESC) WHERE phase = 'closed';
