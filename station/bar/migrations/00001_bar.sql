-- +goose Up
-- What the bar stands at, one JSON document a key: the open build, the grinder's
-- record, the sampling of the shift.
CREATE TABLE state (
    key   TEXT PRIMARY KEY,
    value BLOB NOT NULL
) STRICT, WITHOUT ROWID;

-- Builds of the last days as the log has them. record is the marshalled
-- pb.BuildRecord; day is the business day of its logging.
CREATE TABLE made (
    id           TEXT PRIMARY KEY,
    seq          INTEGER NOT NULL UNIQUE,
    at_ms        INTEGER NOT NULL,
    day          TEXT NOT NULL,
    serving      TEXT NOT NULL,
    corrects     TEXT NOT NULL,
    corrected_by TEXT NOT NULL DEFAULT '',
    record       BLOB NOT NULL
) STRICT;
CREATE INDEX made_day ON made (day, seq);

-- What happened at the bar besides builds, for the day's view.
CREATE TABLE marks (
    id    INTEGER PRIMARY KEY AUTOINCREMENT,
    at_ms INTEGER NOT NULL,
    day   TEXT NOT NULL,
    kind  TEXT NOT NULL,
    words TEXT NOT NULL
) STRICT;
CREATE INDEX marks_day ON marks (day, id);

-- What rides to the centre with the next build; see pb.BarEvent.
CREATE TABLE events (
    id    INTEGER PRIMARY KEY AUTOINCREMENT,
    event BLOB NOT NULL
) STRICT;

-- How the prompts of the sampling plan ended.
CREATE TABLE outcomes (
    prompt  TEXT PRIMARY KEY,
    day     TEXT NOT NULL,
    outcome BLOB NOT NULL
) STRICT;
CREATE INDEX outcomes_day ON outcomes (day);

-- Pseudonyms, and nothing else about people.
CREATE TABLE people (
    pseudonym TEXT PRIMARY KEY,
    seen_ms   INTEGER NOT NULL
) STRICT;

-- +goose Down
DROP TABLE people;
DROP TABLE outcomes;
DROP TABLE events;
DROP TABLE marks;
DROP TABLE made;
DROP TABLE state;
