-- A token may read the server's own numbers.
-- +goose Up
ALTER TABLE session DROP CONSTRAINT session_scopes;
ALTER TABLE session ADD CONSTRAINT session_scopes CHECK ((kind = 'token') = (cardinality(scopes) > 0) AND scopes <@ ARRAY['read', 'hand-in', 'metrics']);
