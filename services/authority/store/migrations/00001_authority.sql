-- +goose Up
CREATE TABLE counters (
	name  TEXT    PRIMARY KEY,
	value INTEGER NOT NULL CHECK (value >= 0)
) STRICT;
INSERT INTO counters (name, value) VALUES ('release', 0);

-- Times are microseconds since 1970 UTC.
CREATE TABLE releases (
	number         INTEGER PRIMARY KEY CHECK (number > 0),
	scope          TEXT    NOT NULL,
	request_id     TEXT    NOT NULL UNIQUE,
	request_digest BLOB    NOT NULL,
	envelope       BLOB    NOT NULL,
	digest         BLOB    NOT NULL,
	created_us     INTEGER NOT NULL,
	effective_us   INTEGER NOT NULL,
	note           TEXT    NOT NULL,
	author         TEXT    NOT NULL,
	chain          TEXT    NOT NULL,
	serving_count  INTEGER NOT NULL,
	problems       BLOB    NOT NULL
) STRICT;
CREATE INDEX releases_by_scope ON releases (scope, number);

CREATE TABLE sites (
	id        TEXT PRIMARY KEY,
	name      TEXT NOT NULL,
	region    TEXT NOT NULL,
	time_zone TEXT NOT NULL
) STRICT;

CREATE TABLE stations (
	site        TEXT    NOT NULL REFERENCES sites (id),
	station     TEXT    NOT NULL,
	enrolled_us INTEGER NOT NULL,
	PRIMARY KEY (site, station)
) STRICT;

CREATE TABLE enrolments (
	code_hash  BLOB    PRIMARY KEY,
	site       TEXT    NOT NULL REFERENCES sites (id),
	station    TEXT    NOT NULL,
	expires_us INTEGER NOT NULL,
	spent_us   INTEGER
) STRICT;
CREATE INDEX enrolments_by_station ON enrolments (site, station);
CREATE INDEX enrolments_by_expiry ON enrolments (expires_us);

CREATE TABLE presence (
	site    TEXT    NOT NULL,
	station TEXT    NOT NULL,
	seen_us INTEGER NOT NULL,
	body    BLOB    NOT NULL,
	PRIMARY KEY (site, station),
	FOREIGN KEY (site, station) REFERENCES stations (site, station)
) STRICT;

CREATE TABLE refusals (
	id         INTEGER PRIMARY KEY,
	site       TEXT    NOT NULL,
	station    TEXT    NOT NULL,
	release    INTEGER NOT NULL,
	reason     TEXT    NOT NULL,
	detail     TEXT    NOT NULL,
	refused_us INTEGER NOT NULL,
	UNIQUE (site, station, release, reason, refused_us),
	FOREIGN KEY (site, station) REFERENCES stations (site, station)
) STRICT;

-- +goose Down
DROP TABLE refusals;
DROP TABLE presence;
DROP TABLE enrolments;
DROP TABLE stations;
DROP TABLE sites;
DROP TABLE releases;
DROP TABLE counters;
