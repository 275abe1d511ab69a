-- What a member has begun to hand in: a drawing with what was chosen for it so far.
-- +goose Up
CREATE TABLE draft (
    drawing uuid PRIMARY KEY REFERENCES drawing,
    member  uuid NOT NULL REFERENCES person,
    machine uuid NOT NULL REFERENCES machine,
    tool    text NOT NULL,
    stock   uuid NOT NULL REFERENCES stock,
    plan    bytea, -- made for it last; a plan is not kept for ever
    title   text NOT NULL CHECK (length(title) <= 120),
    copies  bigint NOT NULL CHECK (copies BETWEEN 1 AND 200),
    due     text NOT NULL CHECK (length(due) <= 40), -- as the page's field gives it
    set_id  uuid REFERENCES job_set,
    kept_at timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX draft_member ON draft (member, kept_at DESC);

GRANT SELECT ON draft TO kerfgate_app, kerfgate_reader;
GRANT INSERT, UPDATE, DELETE ON draft TO kerfgate_app;
