-- What else an operator sets before the signature: the height of the focus, the tool that hangs on the
-- carriage, the origin around which the outline was traced, and that the beam's supply was said to be off
-- before anything moved.
-- +goose Up
ALTER TABLE run
    ADD COLUMN focus_um      bigint CHECK (focus_um > 0),
    ADD COLUMN fitted        text NOT NULL DEFAULT '',
    ADD COLUMN traced_x_um   bigint,
    ADD COLUMN traced_y_um   bigint,
    ADD COLUMN supply_off_at timestamptz,
    ADD CHECK ((traced_x_um IS NULL) = (traced_y_um IS NULL));
