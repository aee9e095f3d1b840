-- +goose Up

-- What quality trusts of the keys, as internal/release writes it.
CREATE TABLE trust (
    one   BIGINT PRIMARY KEY CHECK (one = 1),
    state BYTEA  NOT NULL
);

-- Every version of the stop list, since a build is judged by the one it names.
CREATE TABLE stop_lists (
    version     BIGINT PRIMARY KEY,
    digest      BYTEA  NOT NULL,
    envelope    BYTEA  NOT NULL,
    received_ms BIGINT NOT NULL
);

-- Builds that wait for a stop list. A table of its own, since an index on the
-- builds would be paid for by every one of them.
CREATE TABLE awaited_stops (
    stop_list BIGINT NOT NULL,
    build_ref BIGINT NOT NULL,
    PRIMARY KEY (stop_list, build_ref)
);

-- Where each site lay when it was last told, so that stops of a region are
-- judged aright before the authority can be asked.
CREATE TABLE site_regions (
    site   TEXT COLLATE "C" PRIMARY KEY,
    region TEXT COLLATE "C" NOT NULL
);

-- +goose Down
DROP TABLE site_regions;
DROP TABLE awaited_stops;
DROP TABLE stop_lists;
DROP TABLE trust;
