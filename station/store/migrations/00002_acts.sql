-- +goose Up
-- What people did here and the bus has not acknowledged yet.
CREATE TABLE acts (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    id  TEXT NOT NULL UNIQUE,
    act BLOB NOT NULL
) STRICT;

-- Who saw which stop at this station; kept after the act was sent.
CREATE TABLE stops_seen (
    seq    INTEGER PRIMARY KEY AUTOINCREMENT,
    stop   TEXT NOT NULL,
    person TEXT NOT NULL,
    note   TEXT NOT NULL,
    UNIQUE (stop, person, note)
) STRICT;

-- The trusted state keeps the floors now.
DROP TABLE floors;

-- +goose Down
CREATE TABLE floors (
    scope   TEXT PRIMARY KEY,
    release INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
DROP TABLE stops_seen;
DROP TABLE acts;
