-- +goose Up

-- How far the watch has come: builds up to this ref were taken, or wait in
-- case_judged's trigger for their verdict. version rises with every change, so
-- that one who worked on an older state notices.
CREATE TABLE case_state (
    one     INTEGER PRIMARY KEY CHECK (one = 1),
    cursor  INTEGER NOT NULL,
    version INTEGER NOT NULL,
    head    BLOB    NOT NULL
);
INSERT INTO case_state (one, cursor, version, head) VALUES (1, 0, 0, x'');

-- The watch's state in parts, so that only what changed is written; deflated
-- (RFC 1951).
CREATE TABLE case_parts (
    name TEXT PRIMARY KEY,
    body BLOB NOT NULL
);

-- Builds that were passed by because their release was not here, and that were
-- judged since.
CREATE TABLE case_judged (ref INTEGER PRIMARY KEY);

-- +goose StatementBegin
CREATE TRIGGER case_judged_later AFTER UPDATE OF grade ON builds
WHEN old.grade = 0 AND new.grade <> 0 AND new.ref <= (SELECT cursor FROM case_state)
BEGIN
    INSERT INTO case_judged (ref) VALUES (new.ref) ON CONFLICT DO NOTHING;
END;
-- +goose StatementEnd

-- rank sorts the gravest first. The body is the case with its history.
CREATE TABLE cases (
    id   TEXT PRIMARY KEY,
    rank TEXT    NOT NULL,
    open INTEGER NOT NULL,
    body BLOB    NOT NULL
);
CREATE INDEX cases_rank ON cases (rank);

CREATE TABLE case_sites (
    case_id TEXT NOT NULL,
    site    TEXT NOT NULL,
    PRIMARY KEY (case_id, site)
) WITHOUT ROWID;

CREATE TABLE case_signals (
    seq     INTEGER PRIMARY KEY AUTOINCREMENT,
    id      TEXT    NOT NULL UNIQUE,
    case_id TEXT    NOT NULL,
    kind    TEXT    NOT NULL,
    site    TEXT    NOT NULL,
    seen_ms INTEGER NOT NULL,
    body    BLOB    NOT NULL
);
CREATE INDEX case_signals_case ON case_signals (case_id, seq);
CREATE INDEX case_signals_kind ON case_signals (kind, seq);
CREATE INDEX case_signals_site ON case_signals (site, seq);

-- Builds behind a signal.
CREATE TABLE case_evidence (
    signal_seq INTEGER NOT NULL,
    build_ref  INTEGER NOT NULL,
    PRIMARY KEY (signal_seq, build_ref)
) WITHOUT ROWID;

-- Answers given, so that a call repeated is answered alike.
CREATE TABLE case_requests (
    id       TEXT PRIMARY KEY,
    digest   BLOB    NOT NULL,
    response BLOB    NOT NULL,
    done_ms  INTEGER NOT NULL
);

-- +goose Down
DROP TABLE case_requests;
DROP TABLE case_evidence;
DROP TABLE case_signals;
DROP TABLE case_sites;
DROP TABLE cases;
DROP TRIGGER case_judged_later;
DROP TABLE case_judged;
DROP TABLE case_parts;
DROP TABLE case_state;
