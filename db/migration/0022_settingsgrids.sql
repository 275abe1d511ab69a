-- Grids of test shapes over speed and power, and the cell that a person found best.
-- +goose Up
CREATE TABLE settings_grid (
    id        uuid PRIMARY KEY,
    machine   uuid NOT NULL REFERENCES machine,
    tool      text NOT NULL,
    stock     uuid NOT NULL REFERENCES stock,
    job       uuid NOT NULL UNIQUE REFERENCES job,
    profile   bytea NOT NULL REFERENCES profile,
    spec      jsonb NOT NULL,
    made_by   uuid NOT NULL REFERENCES person,
    made_at   timestamptz NOT NULL DEFAULT now(),
    flame_by  uuid REFERENCES person, -- who saw a flame while it was worked
    flame_at  timestamptz,
    cell      bigint, -- chosen: in the order in which they are worked, from 0
    run       uuid REFERENCES run,
    chosen_by uuid REFERENCES person,
    chosen_at timestamptz,
    rev       bigint NOT NULL DEFAULT 1,
    CONSTRAINT settings_grid_flame CHECK ((flame_at IS NULL) = (flame_by IS NULL)),
    CONSTRAINT settings_grid_chosen CHECK ((cell IS NULL) = (chosen_at IS NULL) AND (cell IS NULL) = (chosen_by IS NULL) AND (cell IS NULL) = (run IS NULL))
);
CREATE INDEX settings_grid_machine ON settings_grid (machine, id DESC);
GRANT SELECT ON settings_grid TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE ON settings_grid TO kerfgate_app;

-- What a setting is proven for: '' stands for any colour of the material. Its evidence in words stays; a run that
-- proved it is named besides.
ALTER TABLE setting
    ADD COLUMN IF NOT EXISTS colour text NOT NULL DEFAULT '',
    ADD COLUMN IF NOT EXISTS run uuid REFERENCES run;
ALTER TABLE setting DROP CONSTRAINT setting_machine_tool_material_thickness_um_operation_key;
ALTER TABLE setting ADD CONSTRAINT setting_for UNIQUE (machine, tool, material, colour, thickness_um, operation);

CREATE INDEX lockout_past ON lockout (machine, lifted_at DESC) WHERE lifted_at IS NOT NULL;
