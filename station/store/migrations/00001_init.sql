-- +goose Up
CREATE TABLE builds (
    seq       INTEGER PRIMARY KEY,
    build_id  BLOB    NOT NULL UNIQUE,
    deviation INTEGER NOT NULL,
    record    BLOB    NOT NULL
) STRICT;

CREATE INDEX builds_deviation ON builds (seq) WHERE deviation = 1;

-- Watermarks: everything up to and including them was acknowledged by the bus.
CREATE TABLE outbox (
    one             INTEGER PRIMARY KEY CHECK (one = 1),
    builds_sent     INTEGER NOT NULL,
    deviations_sent INTEGER NOT NULL
) STRICT;
INSERT INTO outbox VALUES (1, 0, 0);

CREATE TABLE refusals (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    release INTEGER NOT NULL,
    reason  TEXT    NOT NULL,
    detail  TEXT    NOT NULL,
    at_ns   INTEGER NOT NULL
) STRICT;

-- Highest release ever accepted for a scope, so that a lost cache file does not
-- let an older release back in.
CREATE TABLE floors (
    scope   TEXT PRIMARY KEY,
    release INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- +goose Down
DROP TABLE floors;
DROP TABLE refusals;
DROP TABLE outbox;
DROP TABLE builds;
