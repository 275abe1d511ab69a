-- What a material is made of, why it stands as it does and from where that is known; its changes, those of
-- the shelf, and what proves a setting. The words of a composition stay as what the label says; no rule reads them.
-- +goose Up
ALTER TABLE material
    ADD COLUMN constituents jsonb NOT NULL DEFAULT '[]',
    ADD COLUMN fumes        text[] NOT NULL DEFAULT '{}',
    ADD COLUMN reason       text NOT NULL DEFAULT '' CHECK (length(reason) <= 500),
    ADD COLUMN sources      jsonb NOT NULL DEFAULT '[]',
    ADD COLUMN only_operations text[] NOT NULL DEFAULT '{}',
    ADD COLUMN marks        text[] NOT NULL DEFAULT '{}',
    ADD COLUMN listed       bigint NOT NULL DEFAULT 0, -- row of the shipped list, 0 for none
    ADD COLUMN retired_at   timestamptz;
ALTER TABLE material DROP CONSTRAINT material_name_key;
CREATE UNIQUE INDEX material_name ON material (lower(name)) WHERE retired_at IS NULL;

-- Each change as it was made, with its words: the logbook keeps their salted digest.
CREATE TABLE material_change (
    material uuid NOT NULL REFERENCES material,
    rev      bigint NOT NULL,
    at       timestamptz NOT NULL DEFAULT now(),
    by_person uuid REFERENCES person, -- NULL: the list that ships
    verdict  text NOT NULL,
    reason   text NOT NULL CHECK (length(reason) <= 500),
    salt     bytea NOT NULL,
    PRIMARY KEY (material, rev)
);
CREATE TABLE stock_change (
    stock     uuid NOT NULL REFERENCES stock,
    rev       bigint NOT NULL,
    at        timestamptz NOT NULL DEFAULT now(),
    by_person uuid NOT NULL REFERENCES person,
    what      text NOT NULL CHECK (what IN ('count', 'flame test')),
    count     bigint,  -- sheets afterwards
    halogen   boolean, -- what the flame test showed
    reason    text NOT NULL CHECK (length(reason) <= 500),
    salt      bytea NOT NULL,
    PRIMARY KEY (stock, rev)
);
-- A copper-wire test may only forbid: nothing sets this back.
ALTER TABLE stock ADD COLUMN halogen boolean NOT NULL DEFAULT false;
ALTER TABLE stock DROP CONSTRAINT stock_lot_key;
CREATE UNIQUE INDEX stock_lot ON stock (lower(lot));

ALTER TABLE setting
    ADD COLUMN dose_uj_per_mm bigint NOT NULL DEFAULT 0 CHECK (dose_uj_per_mm >= 0),
    ADD COLUMN proven_by uuid REFERENCES person,
    ADD COLUMN proven_at timestamptz NOT NULL DEFAULT now();
CREATE INDEX setting_material ON setting (material);

-- With which settings a plan was made, and how large what it marks is; NULL for plans from before.
ALTER TABLE plan
    ADD COLUMN settings  jsonb,
    ADD COLUMN width_um  bigint,
    ADD COLUMN height_um bigint;

ALTER TABLE site ADD COLUMN list_version bigint NOT NULL DEFAULT 0; -- of the shipped list that was taken over

GRANT SELECT ON material_change, stock_change TO kerfgate_app, kerfgate_reader;
GRANT INSERT ON material_change, stock_change TO kerfgate_app;
GRANT DELETE ON setting TO kerfgate_app;
