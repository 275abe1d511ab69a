-- +goose Up
-- The phase table. A test holds it to the one in package queue, every pair.
CREATE TABLE phase_move (
    from_phase text NOT NULL,
    event      text NOT NULL,
    to_phase   text NOT NULL,
    outcome    text NOT NULL,
    PRIMARY KEY (from_phase, event)
);
INSERT INTO phase_move (from_phase, event, to_phase, outcome) VALUES
    ('proposed',   'opened',      'checking',   ''),
    ('checking',   'released',    'proposed',   ''),
    ('checking',   'signed',      'permitted',  ''),
    ('permitted',  'voided',      'checking',   ''),
    ('permitted',  'burned',      'starting',   ''),
    ('starting',   'moved',       'running',    ''),
    ('starting',   'stopped',     'inspecting', 'stopped'),
    ('starting',   'failed',      'inspecting', 'failed'),
    ('starting',   'interrupted', 'inspecting', 'interrupted'),
    ('running',    'paused',      'paused',     ''),
    ('paused',     'resumed',     'running',    ''),
    ('running',    'completed',   'purging',    'completed'),
    ('running',    'stopped',     'purging',    'stopped'),
    ('paused',     'stopped',     'purging',    'stopped'),
    ('running',    'failed',      'purging',    'failed'),
    ('paused',     'failed',      'purging',    'failed'),
    ('running',    'interrupted', 'purging',    'interrupted'),
    ('paused',     'interrupted', 'purging',    'interrupted'),
    ('purging',    'purged',      'inspecting', ''),
    ('inspecting', 'inspected',   'closed',     ''),
    ('proposed',   'withdrawn',   'closed',     'withdrawn'),
    ('checking',   'withdrawn',   'closed',     'withdrawn'),
    ('permitted',  'withdrawn',   'closed',     'withdrawn'),
    ('permitted',  'interrupted', 'inspecting', 'interrupted');

CREATE SEQUENCE run_number;

CREATE TABLE run (
    id          uuid PRIMARY KEY,
    number      bigint NOT NULL UNIQUE DEFAULT nextval('run_number'), -- for people; may have gaps
    job         uuid NOT NULL REFERENCES job,
    copy        bigint NOT NULL CHECK (copy >= 1),
    machine     uuid NOT NULL REFERENCES machine,
    plan        bytea NOT NULL REFERENCES blob,
    stock       uuid NOT NULL REFERENCES stock,
    phase       text NOT NULL DEFAULT 'proposed' CHECK (phase IN ('proposed', 'checking', 'permitted',
                    'starting', 'running', 'paused', 'purging', 'inspecting', 'closed')),
    last_event  text,
    outcome     text NOT NULL DEFAULT '' CHECK (outcome IN ('', 'completed', 'stopped', 'failed', 'interrupted', 'withdrawn')),
    reason      text NOT NULL DEFAULT '',
    revision    bigint NOT NULL DEFAULT 1, -- of the offer
    ready       boolean NOT NULL DEFAULT false,
    unready_reason text NOT NULL DEFAULT '',
    operator    uuid REFERENCES person,
    opened_at   timestamptz, -- of the checklist, moved on by each answer
    origin_x_um bigint,
    origin_y_um bigint,
    homed       boolean NOT NULL DEFAULT false,
    placed_by   uuid REFERENCES person,
    placed_at   timestamptz,
    never_moved boolean NOT NULL DEFAULT false,
    flame       boolean NOT NULL DEFAULT false,
    sheet_fate  text NOT NULL DEFAULT '' CHECK (sheet_fate IN ('', 'kept', 'scrapped', 'repeat')),
    pause_token bytea,
    picture     bytea REFERENCES blob,
    real_ms     bigint NOT NULL DEFAULT 0,
    taps        bigint NOT NULL DEFAULT 0,
    misses      bigint NOT NULL DEFAULT 0,
    stock_taken boolean NOT NULL DEFAULT false,
    proposed_at timestamptz NOT NULL DEFAULT now(),
    phase_at    timestamptz NOT NULL DEFAULT now(),
    started_at  timestamptz,
    ended_at    timestamptz,
    rev         bigint NOT NULL DEFAULT 1,
    CHECK ((phase = 'closed') <= (outcome <> '')),
    CHECK ((origin_x_um IS NULL) = (origin_y_um IS NULL))
);
-- I3: at most one active run per machine.
CREATE UNIQUE INDEX run_active ON run (machine)
    WHERE phase IN ('permitted', 'starting', 'running', 'paused', 'purging', 'inspecting');
CREATE INDEX run_job ON run (job, copy);
CREATE INDEX run_open ON run (machine, number) WHERE phase <> 'closed';
CREATE INDEX run_plan ON run (machine, plan) WHERE phase <> 'closed';

-- +goose StatementBegin
CREATE FUNCTION run_phase_guard() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.phase <> OLD.phase THEN
        PERFORM 1 FROM phase_move
            WHERE from_phase = OLD.phase AND event = NEW.last_event AND to_phase = NEW.phase
              AND (outcome = '' OR outcome = NEW.outcome);
        IF NOT FOUND THEN
            RAISE EXCEPTION 'no move from % by % to %', OLD.phase, NEW.last_event, NEW.phase
                USING ERRCODE = 'check_violation', CONSTRAINT = 'run_phase_guard';
        END IF;
        NEW.phase_at := now();
    END IF;
    IF OLD.outcome <> '' AND NEW.outcome <> OLD.outcome THEN
        RAISE EXCEPTION 'outcome % of a run is final', OLD.outcome
            USING ERRCODE = 'check_violation', CONSTRAINT = 'run_phase_guard';
    END IF;
    NEW.rev := OLD.rev + 1;
    RETURN NEW;
END $$;
-- +goose StatementEnd
CREATE TRIGGER run_phase BEFORE UPDATE ON run FOR EACH ROW EXECUTE FUNCTION run_phase_guard();
ALTER TABLE run ENABLE ALWAYS TRIGGER run_phase;

-- +goose StatementBegin
CREATE FUNCTION run_starts_proposed() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.phase <> 'proposed' OR NEW.outcome <> '' THEN
        RAISE EXCEPTION 'a run begins as proposed' USING ERRCODE = 'check_violation', CONSTRAINT = 'run_phase_guard';
    END IF;
    RETURN NEW;
END $$;
-- +goose StatementEnd
CREATE TRIGGER run_begin BEFORE INSERT ON run FOR EACH ROW EXECUTE FUNCTION run_starts_proposed();
ALTER TABLE run ENABLE ALWAYS TRIGGER run_begin;

-- Answers of the open checklist; cleared when it is released, kept with the sign-off.
CREATE TABLE answer (
    run   uuid NOT NULL REFERENCES run,
    item  text NOT NULL,
    given jsonb NOT NULL,
    by_person uuid NOT NULL REFERENCES person,
    at    timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (run, item)
);

-- Standing answers: one operator on one machine, at most 4 hours.
CREATE TABLE standing_answer (
    machine  uuid NOT NULL REFERENCES machine,
    operator uuid NOT NULL REFERENCES person,
    item     text NOT NULL,
    given    jsonb NOT NULL,
    at       timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (machine, operator, item)
);

CREATE TABLE sign_off (
    digest    bytea PRIMARY KEY CHECK (length(digest) = 32),
    run       uuid NOT NULL REFERENCES run,
    data      bytea NOT NULL,
    operator  uuid NOT NULL REFERENCES person,
    signed_at timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX sign_off_run ON sign_off (run);

CREATE TABLE permit (
    digest    bytea PRIMARY KEY CHECK (length(digest) = 32),
    run       uuid NOT NULL REFERENCES run,
    machine   uuid NOT NULL REFERENCES machine,
    sign_off  bytea NOT NULL REFERENCES sign_off,
    challenge bytea NOT NULL CHECK (length(challenge) = 32),
    note      text NOT NULL,
    issued_at timestamptz NOT NULL DEFAULT now(),
    ended     text NOT NULL DEFAULT '' CHECK (ended IN ('', 'burned', 'voided'))
);
-- At most one live permit per run.
CREATE UNIQUE INDEX permit_live ON permit (run) WHERE ended = '';

-- I2: a run moves at most once, ever.
CREATE TABLE burn (
    run    uuid PRIMARY KEY REFERENCES run,
    permit bytea NOT NULL UNIQUE REFERENCES permit,
    at     timestamptz NOT NULL DEFAULT now()
);
CREATE TRIGGER burn_keep BEFORE UPDATE OR DELETE ON burn FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER burn_whole BEFORE TRUNCATE ON burn FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
ALTER TABLE burn ENABLE ALWAYS TRIGGER burn_keep;
ALTER TABLE burn ENABLE ALWAYS TRIGGER burn_whole;

CREATE TABLE watch (
    id        uuid PRIMARY KEY,
    machine   uuid NOT NULL REFERENCES machine,
    run       uuid NOT NULL REFERENCES run,
    watcher   uuid NOT NULL REFERENCES person,
    opened_at timestamptz NOT NULL DEFAULT now(),
    until     timestamptz NOT NULL,
    closed_at timestamptz
);
CREATE UNIQUE INDEX watch_open ON watch (machine) WHERE closed_at IS NULL;

CREATE TABLE incident (
    id        uuid PRIMARY KEY,
    kind      text NOT NULL CHECK (kind IN ('injury', 'fire', 'damage', 'exposure', 'near miss', 'hazard observation')),
    machine   uuid NOT NULL REFERENCES machine,
    run       uuid REFERENCES run,
    reported_by uuid NOT NULL REFERENCES person,
    at        timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX incident_machine ON incident (machine, at);
