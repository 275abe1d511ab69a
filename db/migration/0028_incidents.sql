-- Incidents as people report, follow up and close them.
-- +goose Up
ALTER TABLE incident DROP CONSTRAINT incident_kind_check;
ALTER TABLE incident ADD CONSTRAINT incident_kind_check
    CHECK (kind IN ('injury', 'fire', 'damage', 'exposure', 'near miss', 'hazard observation', 'interlock defeat'));
-- Anyone at a station reports, signed in or not.
ALTER TABLE incident ALTER COLUMN reported_by DROP NOT NULL;
ALTER TABLE incident
    ADD COLUMN station     uuid REFERENCES station,
    ADD COLUMN happened_at timestamptz,
    ADD COLUMN what        text NOT NULL DEFAULT '' CHECK (length(what) <= 2000),
    ADD COLUMN severity    text NOT NULL DEFAULT 'none' CHECK (severity IN ('none', 'first aid', 'treatment', 'lasting harm', 'death')),
    ADD COLUMN potential   text NOT NULL DEFAULT 'none' CHECK (potential IN ('none', 'first aid', 'treatment', 'lasting harm', 'death')),
    ADD COLUMN salt        bytea CHECK (length(salt) = 16),
    -- what only officers read: who was hurt, how, and what the law may ask
    ADD COLUMN particulars jsonb NOT NULL DEFAULT '{}',
    ADD COLUMN closed_at   timestamptz,
    ADD COLUMN closed_by   uuid REFERENCES person,
    ADD COLUMN closing     text NOT NULL DEFAULT '' CHECK (length(closing) <= 2000),
    ADD COLUMN rev         bigint NOT NULL DEFAULT 1;
UPDATE incident SET happened_at = at, what = 'flame or glow seen at an inspection' WHERE happened_at IS NULL;
ALTER TABLE incident ALTER COLUMN happened_at SET NOT NULL, ALTER COLUMN happened_at SET DEFAULT now();
ALTER TABLE incident ADD CONSTRAINT incident_closed CHECK ((closed_at IS NULL) = (closed_by IS NULL));
ALTER TABLE incident ADD CONSTRAINT incident_told CHECK (reported_by IS NOT NULL OR station IS NOT NULL);
CREATE INDEX incident_list ON incident (at DESC, id DESC);
CREATE INDEX incident_run ON incident (run) WHERE run IS NOT NULL;

-- Whatever is added later stands beside the report and changes nothing of it.
CREATE TABLE incident_note (
    id       uuid PRIMARY KEY,
    incident uuid NOT NULL REFERENCES incident,
    about    text NOT NULL CHECK (about IN ('fact', 'immediate cause', 'underlying cause', 'root cause')),
    text     text NOT NULL CHECK (length(text) BETWEEN 1 AND 2000),
    by_person uuid NOT NULL REFERENCES person,
    at       timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX incident_note_of ON incident_note (incident, at);

CREATE TABLE follow_up (
    id       uuid PRIMARY KEY,
    incident uuid NOT NULL REFERENCES incident,
    what     text NOT NULL CHECK (length(what) BETWEEN 1 AND 500),
    -- how strong a remedy is: take the hazard away, shield it, a rule, or what people wear
    remedy   text NOT NULL CHECK (remedy IN ('elimination', 'engineering', 'administrative', 'protective equipment')),
    owner    uuid NOT NULL REFERENCES person,
    due      date NOT NULL,
    done_at  timestamptz,
    done_by  uuid REFERENCES person,
    result   text NOT NULL DEFAULT '' CHECK (length(result) <= 500),
    CHECK ((done_at IS NULL) = (done_by IS NULL))
);
CREATE INDEX follow_up_of ON follow_up (incident, due);
CREATE INDEX follow_up_open ON follow_up (due) WHERE done_at IS NULL;

CREATE TABLE incident_photo (
    incident uuid NOT NULL REFERENCES incident,
    n        int NOT NULL CHECK (n BETWEEN 1 AND 20),
    digest   bytea NOT NULL REFERENCES blob,
    at       timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (incident, n)
);

GRANT SELECT ON incident_note, follow_up, incident_photo TO kerfgate_app, kerfgate_reader;
GRANT INSERT ON incident_note, follow_up, incident_photo TO kerfgate_app;
GRANT UPDATE ON follow_up TO kerfgate_app;
