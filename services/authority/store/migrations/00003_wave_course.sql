-- +goose Up

-- The course of each rollout's sequential test, a row a look. It can be counted
-- again from the builds, so rows may be thinned out.
CREATE TABLE wave_course (
	edition          INTEGER NOT NULL,
	at_us            INTEGER NOT NULL,
	open_waves       INTEGER NOT NULL,
	advice           TEXT    NOT NULL,
	builds           INTEGER NOT NULL,
	deviations       INTEGER NOT NULL,
	lower_bound      REAL    NOT NULL,
	upper_bound      REAL    NOT NULL,
	past_builds      INTEGER NOT NULL,
	past_deviations  INTEGER NOT NULL,
	past_llr         REAL    NOT NULL,
	past_advice      TEXT    NOT NULL,
	other_builds     INTEGER NOT NULL,
	other_deviations INTEGER NOT NULL,
	other_llr        REAL    NOT NULL,
	other_advice     TEXT    NOT NULL,
	PRIMARY KEY (edition, at_us)
) STRICT, WITHOUT ROWID;

-- +goose Down
DROP TABLE wave_course;
