-- What a plan does to its sheet, kept beside its bytes so that a gate is judged without reading them. A plan
-- from before has none of it, and is judged as if it had hot spots.
-- +goose Up
ALTER TABLE plan
    ADD COLUMN hot_spots  bigint,
    ADD COLUMN cut_um     bigint,
    ADD COLUMN mark_um    bigint,
    ADD COLUMN engrave_um bigint;
CREATE INDEX lockout_lifted ON lockout (machine, lifted_at DESC);
CREATE INDEX run_began ON run (machine, started_at DESC) WHERE started_at IS NOT NULL;
