-- The site's permit key and log key may be replaced; each replacement is signed by the key before it.
-- +goose Up
CREATE TABLE successor (
    key    text NOT NULL CHECK (key IN ('permit', 'logbook')),
    number bigint NOT NULL CHECK (number >= 1),
    before text NOT NULL, -- verifier keys
    after  text NOT NULL,
    note   text NOT NULL,
    at     timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (key, number),
    UNIQUE (before), -- a key is followed by one other, once
    UNIQUE (after)
);
GRANT SELECT ON successor TO kerfgate_app, kerfgate_reader;
GRANT INSERT ON successor TO kerfgate_app;
