-- +goose Up

-- How far the roll-ups have come: builds up to this ref are in them. It moves
-- in the transaction that adds them, so that a crash neither loses nor doubles.
CREATE TABLE rollup_state (
    one    INTEGER PRIMARY KEY CHECK (one = 1),
    cursor INTEGER NOT NULL
);
INSERT INTO rollup_state (one, cursor) VALUES (1, 0);

-- The business days of a site's day and month rows. Zone '' is UTC.
CREATE TABLE rollup_sites (
    ref       INTEGER PRIMARY KEY,
    site      TEXT    NOT NULL UNIQUE,
    time_zone TEXT    NOT NULL DEFAULT '',
    day_start INTEGER NOT NULL DEFAULT 0
);

CREATE TABLE rollup_servings (serving TEXT PRIMARY KEY) WITHOUT ROWID;

-- level: 1 UTC hour, 2 business day, 3 month of business days.
-- place: 0 the chain; a station by its ref; a site by its ref in rollup_sites,
-- negated. serving '' stands for all servings together.
CREATE TABLE rollup_counts (
    level    INTEGER NOT NULL,
    place    INTEGER NOT NULL,
    serving  TEXT    NOT NULL,
    period   INTEGER NOT NULL,
    builds   INTEGER NOT NULL,
    in_spec  INTEGER NOT NULL,
    off_spec INTEGER NOT NULL,
    unknown  INTEGER NOT NULL,
    unsafe   INTEGER NOT NULL,
    awaiting INTEGER NOT NULL,
    disputed INTEGER NOT NULL,
    PRIMARY KEY (level, place, serving, period)
) WITHOUT ROWID;

-- Findings by kind and readings by check, apart from the counts so that a
-- page about rates reads rates alone. Every row of counts has one.
CREATE TABLE rollup_details (
    level   INTEGER NOT NULL,
    place   INTEGER NOT NULL,
    serving TEXT    NOT NULL,
    period  INTEGER NOT NULL,
    detail  BLOB    NOT NULL,
    PRIMARY KEY (level, place, serving, period)
) WITHOUT ROWID;

-- Builds by station and UTC hour, to find those beneath a figure. It is filled
-- with the roll-ups, since an index would be paid for at the intake.
CREATE TABLE rollup_builds (
    station_ref INTEGER NOT NULL,
    hour        INTEGER NOT NULL,
    build_ref   INTEGER NOT NULL,
    PRIMARY KEY (station_ref, hour, build_ref)
) WITHOUT ROWID;

-- Hours of a station to be computed anew from their builds.
CREATE TABLE rollup_dirty (
    station_ref INTEGER NOT NULL,
    hour        INTEGER NOT NULL,
    PRIMARY KEY (station_ref, hour)
) WITHOUT ROWID;

-- Which build corrects which. The original may come later than its correction.
CREATE TABLE corrections (
    original_id    TEXT    NOT NULL,
    station_ref    INTEGER NOT NULL,
    correction_ref INTEGER NOT NULL UNIQUE,
    sequence       INTEGER NOT NULL,
    PRIMARY KEY (original_id, correction_ref)
) WITHOUT ROWID;

-- +goose Down
DROP TABLE corrections;
DROP TABLE rollup_dirty;
DROP TABLE rollup_builds;
DROP TABLE rollup_details;
DROP TABLE rollup_counts;
DROP TABLE rollup_servings;
DROP TABLE rollup_sites;
DROP TABLE rollup_state;
