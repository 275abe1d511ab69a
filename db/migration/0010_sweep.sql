-- Plans that nobody submitted go after 30 days.
-- +goose Up
CREATE INDEX plan_made ON plan (made_at);
CREATE INDEX job_plan ON job (plan);
CREATE INDEX run_made_of ON run (plan);
CREATE INDEX run_picture ON run (picture) WHERE picture IS NOT NULL;
CREATE INDEX drawing_digest ON drawing (digest);
GRANT DELETE ON plan, blob TO kerfgate_app;
