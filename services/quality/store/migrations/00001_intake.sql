-- +goose Up

-- One row a station: what was counted of its log, and how far the log is whole.
CREATE TABLE stations (
    ref         INTEGER PRIMARY KEY,
    site        TEXT    NOT NULL,
    station     TEXT    NOT NULL,
    builds      INTEGER NOT NULL DEFAULT 0,
    deviations  INTEGER NOT NULL DEFAULT 0,
    disputed    INTEGER NOT NULL DEFAULT 0,
    awaiting    INTEGER NOT NULL DEFAULT 0,
    whole_to    INTEGER NOT NULL DEFAULT 0,
    whole_hash  BLOB    NOT NULL DEFAULT x'',
    highest     INTEGER NOT NULL DEFAULT 0,
    broken_at   INTEGER NOT NULL DEFAULT 0,
    UNIQUE (site, station)
);

-- One row a build. The unique id is what makes a build count once, however
-- often the bus delivers it. grade 0 means that its release is not here yet.
CREATE TABLE builds (
    ref           INTEGER PRIMARY KEY,
    id            TEXT    NOT NULL UNIQUE,
    -- Deferred, so that inserting many rows needs no journal of its own.
    station_ref   INTEGER NOT NULL REFERENCES stations (ref) DEFERRABLE INITIALLY DEFERRED,
    sequence      INTEGER NOT NULL,
    release       INTEGER NOT NULL,
    serving       TEXT    NOT NULL,
    drink         TEXT    NOT NULL,
    started_ms    INTEGER NOT NULL,
    received_ms   INTEGER NOT NULL,
    grade         INTEGER NOT NULL,
    disputed      INTEGER NOT NULL,
    hash          BLOB    NOT NULL,
    previous_hash BLOB    NOT NULL,
    -- The centre's verdict where it says more than the grade.
    verdict       BLOB,
    -- The station's bytes, exactly as sent. Last, so that the columns before
    -- it are read without following overflow pages.
    record        BLOB    NOT NULL
);

-- Not unique: two records under one sequence are a finding, not a reason to
-- drop one of them.
CREATE INDEX builds_chain ON builds (station_ref, sequence);
CREATE INDEX builds_awaiting ON builds (release, ref) WHERE grade = 0;

-- AUTOINCREMENT, so that a cursor is never given twice.
CREATE TABLE deviations (
    cursor      INTEGER PRIMARY KEY AUTOINCREMENT,
    build_ref   INTEGER NOT NULL UNIQUE REFERENCES builds (ref),
    site        TEXT    NOT NULL,
    drink       TEXT    NOT NULL,
    received_ms INTEGER NOT NULL
);
CREATE INDEX deviations_site ON deviations (site, cursor);
CREATE INDEX deviations_drink ON deviations (drink, cursor);

CREATE TABLE releases (
    number      INTEGER PRIMARY KEY,
    scope       TEXT    NOT NULL,
    digest      BLOB    NOT NULL,
    envelope    BLOB    NOT NULL,
    received_ms INTEGER NOT NULL
);

-- What could not be read or believed. The digest covers subject and bytes, so
-- that a message delivered again is set aside once.
CREATE TABLE quarantine (
    ref         INTEGER PRIMARY KEY,
    digest      BLOB    NOT NULL UNIQUE,
    subject     TEXT    NOT NULL,
    reason      TEXT    NOT NULL,
    detail      TEXT    NOT NULL,
    received_ms INTEGER NOT NULL,
    size        INTEGER NOT NULL,
    -- The first bytes of the original; all of them where length equals size.
    bytes       BLOB    NOT NULL
);

-- +goose Down
DROP TABLE quarantine;
DROP TABLE releases;
DROP TABLE deviations;
DROP TABLE builds;
DROP TABLE stations;
