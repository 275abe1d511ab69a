-- +goose Up
-- Whom a site of one tells of a start with the beam, in the site's own words; '' where it names nobody.
ALTER TABLE site ADD COLUMN contact text NOT NULL DEFAULT '' CHECK (octet_length(contact) <= 200);
