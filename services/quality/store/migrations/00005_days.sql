-- +goose Up

-- 1 while a site's days may be those of a version that cut them at a full hour of
-- UTC, also where a zone of half hours has them begin within one.
ALTER TABLE rollup_sites ADD COLUMN cut_at_hour INTEGER NOT NULL DEFAULT 0;
UPDATE rollup_sites SET cut_at_hour = 1;

-- +goose Down
ALTER TABLE rollup_sites DROP COLUMN cut_at_hour;
