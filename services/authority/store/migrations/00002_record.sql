-- +goose Up

-- Every act, chained by hash. Rows are never changed or removed.
CREATE TABLE record (
	number   INTEGER PRIMARY KEY CHECK (number > 0),
	at_us    INTEGER NOT NULL,
	actor    TEXT    NOT NULL,
	kind     TEXT    NOT NULL,
	body     BLOB    NOT NULL,
	previous BLOB    NOT NULL,
	hash     BLOB    NOT NULL
) STRICT;
-- +goose StatementBegin
CREATE TRIGGER record_is_never_changed BEFORE UPDATE ON record
BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER record_is_never_cut BEFORE DELETE ON record
BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END;
-- +goose StatementEnd

-- Sources by their SHA-256, so that a draft costs what it changed.
CREATE TABLE blobs (
	digest BLOB PRIMARY KEY,
	body   BLOB NOT NULL
) STRICT;

-- The state after an entry, so that a start costs what came since. One row.
CREATE TABLE snapshots (
	one    INTEGER PRIMARY KEY CHECK (one = 1),
	number INTEGER NOT NULL,
	head   BLOB    NOT NULL,
	body   BLOB    NOT NULL
) STRICT;

-- Signed key lists, assignments and stop lists by their subject on the bus.
CREATE TABLE documents (
	subject  TEXT    PRIMARY KEY,
	version  INTEGER NOT NULL,
	envelope BLOB    NOT NULL
) STRICT;

-- A release is numbered by the record, which also knows the request.
CREATE TABLE releases_next (
	number        INTEGER PRIMARY KEY CHECK (number > 0),
	scope         TEXT    NOT NULL,
	edition       INTEGER NOT NULL,
	rolls_back_to INTEGER NOT NULL,
	safety        INTEGER NOT NULL,
	needs_rebase  TEXT    NOT NULL,
	envelope      BLOB    NOT NULL,
	digest        BLOB    NOT NULL,
	created_us    INTEGER NOT NULL,
	effective_us  INTEGER NOT NULL,
	note          TEXT    NOT NULL,
	author        TEXT    NOT NULL,
	chain         TEXT    NOT NULL,
	serving_count INTEGER NOT NULL,
	problems      BLOB    NOT NULL
) STRICT;
INSERT INTO releases_next SELECT number, scope, number, 0, 0, '', envelope, digest, created_us, effective_us,
	note, author, chain, serving_count, problems FROM releases;
DROP TABLE releases;
ALTER TABLE releases_next RENAME TO releases;
CREATE INDEX releases_by_scope ON releases (scope, number);

-- +goose Down
DROP TABLE documents;
DROP TABLE snapshots;
DROP TABLE blobs;
DROP TABLE record;
