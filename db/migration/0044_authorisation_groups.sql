-- An authorisation may name the groups of materials that it covers; none means every material. The groups'
-- names are the program's (plan/material).
-- +goose Up
ALTER TABLE authorisation ADD COLUMN groups text[] NOT NULL DEFAULT '{}';
ALTER TABLE authorisation ADD CONSTRAINT authorisation_groups CHECK (cardinality(groups) <= 20 AND array_position(groups, NULL) IS NULL);
