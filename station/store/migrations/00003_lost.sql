-- +goose Up
-- Numbers whose records a damaged log took with it. They are never used again,
-- so that the centre sees the gap.
CREATE TABLE lost (
    first INTEGER PRIMARY KEY,
    last  INTEGER NOT NULL
) STRICT;

-- A sum over the watermarks, since a bit that flips in them would leave builds
-- unsent in silence; 0 for one that was written before there were sums.
ALTER TABLE outbox ADD COLUMN seal INTEGER NOT NULL DEFAULT 0;

-- How often the log was opened, counted to see that the disk can be written.
ALTER TABLE outbox ADD COLUMN opened INTEGER NOT NULL DEFAULT 0;

-- +goose Down
ALTER TABLE outbox DROP COLUMN opened;
ALTER TABLE outbox DROP COLUMN seal;
DROP TABLE lost;
