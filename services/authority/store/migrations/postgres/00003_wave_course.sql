-- +goose Up

-- The course of each rollout's sequential test, a row a look. It can be counted
-- again from the builds, so rows may be thinned out.
CREATE TABLE wave_course (
	edition          BIGINT NOT NULL,
	at_us            BIGINT NOT NULL,
	open_waves       BIGINT NOT NULL,
	advice           TEXT   NOT NULL,
	builds           BIGINT NOT NULL,
	deviations       BIGINT NOT NULL,
	lower_bound      DOUBLE PRECISION NOT NULL,
	upper_bound      DOUBLE PRECISION NOT NULL,
	past_builds      BIGINT NOT NULL,
	past_deviations  BIGINT NOT NULL,
	past_llr         DOUBLE PRECISION NOT NULL,
	past_advice      TEXT   NOT NULL,
	other_builds     BIGINT NOT NULL,
	other_deviations BIGINT NOT NULL,
	other_llr        DOUBLE PRECISION NOT NULL,
	other_advice     TEXT   NOT NULL,
	PRIMARY KEY (edition, at_us)
);

-- +goose Down
DROP TABLE wave_course;
