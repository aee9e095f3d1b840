-- +goose Up

-- Every act, chained by hash. Rows are never changed or removed.
CREATE TABLE record (
	number   BIGINT PRIMARY KEY CHECK (number > 0),
	at_us    BIGINT NOT NULL,
	actor    TEXT   NOT NULL,
	kind     TEXT   NOT NULL,
	body     BYTEA  NOT NULL,
	previous BYTEA  NOT NULL,
	hash     BYTEA  NOT NULL
);
-- +goose StatementBegin
CREATE FUNCTION refuse_to_change_the_record() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
	RAISE EXCEPTION 'the record is append-only';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER record_is_never_changed BEFORE UPDATE OR DELETE ON record
	FOR EACH ROW EXECUTE FUNCTION refuse_to_change_the_record();
CREATE TRIGGER record_is_never_emptied BEFORE TRUNCATE ON record
	FOR EACH STATEMENT EXECUTE FUNCTION refuse_to_change_the_record();

-- Sources by their SHA-256, so that a draft costs what it changed.
CREATE TABLE blobs (
	digest BYTEA PRIMARY KEY,
	body   BYTEA NOT NULL
);

-- The state after an entry, so that a start costs what came since. One row.
CREATE TABLE snapshots (
	one    BIGINT PRIMARY KEY CHECK (one = 1),
	number BIGINT NOT NULL,
	head   BYTEA  NOT NULL,
	body   BYTEA  NOT NULL
);

-- Signed key lists, assignments and stop lists by their subject on the bus.
CREATE TABLE documents (
	subject  TEXT COLLATE "C" PRIMARY KEY,
	version  BIGINT NOT NULL,
	envelope BYTEA  NOT NULL
);

-- A release is numbered by the record, which also knows the request.
CREATE TABLE releases (
	number        BIGINT PRIMARY KEY CHECK (number > 0),
	scope         TEXT COLLATE "C" NOT NULL,
	edition       BIGINT NOT NULL,
	rolls_back_to BIGINT NOT NULL,
	safety        BIGINT NOT NULL,
	needs_rebase  TEXT   NOT NULL,
	envelope      BYTEA  NOT NULL,
	digest        BYTEA  NOT NULL,
	created_us    BIGINT NOT NULL,
	effective_us  BIGINT NOT NULL,
	note          TEXT   NOT NULL,
	author        TEXT   NOT NULL,
	chain         TEXT   NOT NULL,
	serving_count BIGINT NOT NULL,
	problems      BYTEA  NOT NULL
);
CREATE INDEX releases_by_scope ON releases (scope, number);

-- +goose Down
DROP TABLE releases;
DROP TABLE documents;
DROP TABLE snapshots;
DROP TABLE blobs;
DROP TABLE record;
DROP FUNCTION refuse_to_change_the_record;
