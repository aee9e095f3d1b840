-- +goose Up

-- What quality trusts of the keys, as internal/release writes it.
CREATE TABLE trust (
    one   INTEGER PRIMARY KEY CHECK (one = 1),
    state BLOB    NOT NULL
);

-- Every version of the stop list, since a build is judged by the one it names.
CREATE TABLE stop_lists (
    version     INTEGER PRIMARY KEY,
    digest      BLOB    NOT NULL,
    envelope    BLOB    NOT NULL,
    received_ms INTEGER NOT NULL
);

-- Builds that wait for a stop list. A table of its own, since an index on the
-- builds would be paid for by every one of them.
CREATE TABLE awaited_stops (
    stop_list INTEGER NOT NULL,
    build_ref INTEGER NOT NULL,
    PRIMARY KEY (stop_list, build_ref)
) WITHOUT ROWID;

-- Where each site lay when it was last told, so that stops of a region are
-- judged aright before the authority can be asked.
CREATE TABLE site_regions (
    site   TEXT PRIMARY KEY,
    region TEXT NOT NULL
) WITHOUT ROWID;

-- +goose Down
DROP TABLE site_regions;
DROP TABLE awaited_stops;
DROP TABLE stop_lists;
DROP TABLE trust;
