-- The private state of a study: what was taken in, what was measured, what happened each night.
CREATE TABLE IF NOT EXISTS nights (
    night VARCHAR, started_at TIMESTAMPTZ, ended_at TIMESTAMPTZ, state VARCHAR,
    sentences VARCHAR, signature VARCHAR, code_fingerprint VARCHAR, rules_version VARCHAR, published BOOLEAN
);
-- How far the study register went when a night last ended.
CREATE TABLE IF NOT EXISTS register_head (entries BIGINT, seal VARCHAR);
CREATE TABLE IF NOT EXISTS deliveries (
    centre VARCHAR, delivery VARCHAR, created_at TIMESTAMPTZ, state VARCHAR, path VARCHAR,
    stat_digest VARCHAR, sha256 VARCHAR, replaces VARCHAR, leans_on VARCHAR, names VARCHAR,
    n_sessions BIGINT, n_recordings BIGINT, n_checks BIGINT
);
-- The sessions of each delivery, for rows of other deliveries that name them.
CREATE TABLE IF NOT EXISTS named_sessions (
    centre VARCHAR, delivery VARCHAR, session VARCHAR, device VARCHAR, on_day DATE
);
-- A state of an earlier version goes on with what it lacks.
ALTER TABLE deliveries ADD COLUMN IF NOT EXISTS read_tolerantly VARCHAR;
CREATE TABLE IF NOT EXISTS stats (
    centre VARCHAR, delivery VARCHAR, path VARCHAR, bytes BIGINT, mtime_ns BIGINT, sha256 VARCHAR
);
-- Clean rows of a delivery, one parquet body per table.
CREATE TABLE IF NOT EXISTS delivered (
    centre VARCHAR, delivery VARCHAR, table_name VARCHAR, body BLOB
);
CREATE TABLE IF NOT EXISTS problems (
    night VARCHAR, centre VARCHAR, delivery VARCHAR, content_key VARCHAR, session VARCHAR,
    recording VARCHAR, kind VARCHAR, where_found VARCHAR, row_number BIGINT, column_name VARCHAR,
    value VARCHAR, expected VARCHAR, sentence VARCHAR, remedy VARCHAR
);
CREATE TABLE IF NOT EXISTS measured (
    content_key VARCHAR, item VARCHAR, technique VARCHAR, state VARCHAR,
    rate_hz DOUBLE, duration_s DOUBLE, sentence VARCHAR, traceback VARCHAR, code VARCHAR,
    night VARCHAR
);
CREATE TABLE IF NOT EXISTS trials (
    content_key VARCHAR, trial_index INTEGER, start_s DOUBLE, end_s DOUBLE
);
-- trial_index 0 holds the quantities of a whole check.
CREATE TABLE IF NOT EXISTS trial_values (
    content_key VARCHAR, trial_index INTEGER, quantity VARCHAR, value DOUBLE, reason VARCHAR
);
CREATE TABLE IF NOT EXISTS ledger (
    night VARCHAR, centre VARCHAR, item_kind VARCHAR, item VARCHAR, technique VARCHAR,
    state VARCHAR, sentence VARCHAR
);
-- The program and the registrations with which the study was last looked at in full.
CREATE TABLE IF NOT EXISTS study_checked (rests_on VARCHAR);
-- Blocks of sessions that were judged, by what they rest on, and a digest of their files.
CREATE TABLE IF NOT EXISTS judged_blocks (block VARCHAR, sha256 VARCHAR);
