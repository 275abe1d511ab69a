-- +goose Up
CREATE TABLE material (
    id           uuid PRIMARY KEY,
    name         text NOT NULL UNIQUE,
    composition  text NOT NULL,
    colour_class text NOT NULL,
    hazards      text[] NOT NULL,
    verdict      text NOT NULL CHECK (verdict IN ('allowed', 'with care', 'forbidden')),
    rev          bigint NOT NULL DEFAULT 1
);

CREATE TABLE stock (
    id             uuid PRIMARY KEY,
    material       uuid NOT NULL REFERENCES material,
    lot            text NOT NULL UNIQUE,
    colour         text NOT NULL,
    thickness_um   bigint NOT NULL CHECK (thickness_um > 0),
    tolerance_um   bigint NOT NULL CHECK (tolerance_um >= 0),
    grammage_g_per_m2 bigint NOT NULL,
    sheet_width_um  bigint NOT NULL CHECK (sheet_width_um > 0),
    sheet_height_um bigint NOT NULL CHECK (sheet_height_um > 0),
    count          bigint NOT NULL CHECK (count >= 0),
    reserved       bigint NOT NULL DEFAULT 0 CHECK (reserved >= 0),
    rev            bigint NOT NULL DEFAULT 1,
    CONSTRAINT stock_enough CHECK (reserved <= count)
);
CREATE INDEX stock_material ON stock (material);

CREATE TABLE setting (
    id             uuid PRIMARY KEY,
    machine        uuid NOT NULL REFERENCES machine,
    tool           text NOT NULL,
    material       uuid NOT NULL REFERENCES material,
    thickness_um   bigint NOT NULL,
    operation      text NOT NULL CHECK (operation IN ('engrave', 'mark', 'draw', 'cut')),
    speed_um_per_s bigint NOT NULL CHECK (speed_um_per_s > 0),
    power_permille bigint NOT NULL CHECK (power_permille BETWEEN 1 AND 1000),
    passes         bigint NOT NULL CHECK (passes BETWEEN 1 AND 20),
    kerf_um        bigint NOT NULL CHECK (kerf_um >= 0),
    evidence       text NOT NULL,
    UNIQUE (machine, tool, material, thickness_um, operation)
);
