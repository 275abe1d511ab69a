-- What the server's role may do: everything on what is kept and shown, insert and select only on
-- the logbook, the head row's columns alone (I7).
-- +goose Up
GRANT USAGE ON SCHEMA public TO kerfgate_app, kerfgate_reader;
GRANT SELECT ON ALL TABLES IN SCHEMA public TO kerfgate_app, kerfgate_reader;
REVOKE SELECT ON person, session FROM kerfgate_reader;
GRANT INSERT ON log_entry, log_subject, log_hash, log_signed_head, burn TO kerfgate_app;
GRANT UPDATE (size, frontier) ON log_head TO kerfgate_app;
GRANT INSERT, UPDATE ON site, follower, person, session, refusal, machine, profile, authorisation,
    lockout, material, stock, setting, blob, blob_chunk, drawing, plan, job, run, answer,
    standing_answer, sign_off, permit, watch, incident TO kerfgate_app;
GRANT INSERT, UPDATE, DELETE ON idempotency TO kerfgate_app;
GRANT DELETE ON answer TO kerfgate_app;
GRANT USAGE ON SEQUENCE run_number TO kerfgate_app;
