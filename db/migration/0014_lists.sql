-- Lists stay quick however much they hold.
-- +goose Up
-- Two machines of one profile get the same plan bytes, and each keeps its own choice.
ALTER TABLE plan DROP CONSTRAINT plan_pkey, ADD PRIMARY KEY (digest, member, machine);
-- The board and what passing time asks for look at the few runs that are neither waiting nor over.
CREATE INDEX run_at_work ON run (machine) WHERE phase NOT IN ('proposed', 'closed');
-- Kinds are looked for by name alone, and by rows of kind and index, which an index of patterns cannot
-- compare.
CREATE INDEX log_entry_by_kind ON log_entry (kind, index);
DROP INDEX log_entry_kind;
