-- What the site's CA signed for the workers' own listeners: the newest certificate of each.
-- +goose Up
CREATE TABLE listener_certificate (
    machine uuid PRIMARY KEY REFERENCES machine,
    host    text NOT NULL CHECK (length(host) BETWEEN 1 AND 253), -- one name or address
    serial  text NOT NULL,
    until   timestamptz NOT NULL
);
CREATE INDEX listener_certificate_host ON listener_certificate (host);
GRANT SELECT ON listener_certificate TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE ON listener_certificate TO kerfgate_app;
