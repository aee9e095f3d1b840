-- +goose Up
-- What was said of cups. The last entry of a build counts; earlier ones are kept.
CREATE TABLE tastings (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    build   TEXT NOT NULL,
    entry   INTEGER NOT NULL,
    at_ms   INTEGER NOT NULL,
    day     TEXT NOT NULL,
    prompt  TEXT NOT NULL,
    name    TEXT NOT NULL,
    taster  TEXT NOT NULL,
    score   INTEGER NOT NULL,
    words   TEXT NOT NULL,
    blind   INTEGER NOT NULL,
    UNIQUE (build, entry)
) STRICT;
CREATE INDEX tastings_day ON tastings (day, id);

-- How well the centre can do without an event: what has more goes later, and first
-- when there is no room.
ALTER TABLE events ADD COLUMN spare INTEGER NOT NULL DEFAULT 0;

-- What a mark is made of, a JSON list of texts by its kind, so that a page can say it
-- in its own language.
ALTER TABLE marks ADD COLUMN args TEXT NOT NULL DEFAULT '[]';

-- +goose Down
ALTER TABLE marks DROP COLUMN args;
ALTER TABLE events DROP COLUMN spare;
DROP TABLE tastings;
