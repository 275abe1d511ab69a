-- Lists stay quick however long a site has been at work.
-- +goose Up
-- What a shop has used up in years is far more than what lies on its shelf.
CREATE INDEX stock_on_shelf ON stock (lot) WHERE count > 0;
-- A run's watches, for its dossier.
CREATE INDEX watch_run ON watch (run);
-- Incidents are counted by the month in which they happened.
CREATE INDEX incident_happened ON incident (happened_at) INCLUDE (kind);
