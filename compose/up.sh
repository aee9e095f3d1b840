#!/usr/bin/env sh
# Starts the deployment of compose.yaml, adds a site, enrols its two stations and
# publishes the small book. Safe to run again: a station that is enrolled keeps
# its identity and ignores the new code.
set -eu
cd "$(dirname "$0")"

docker compose up --build --detach bus authority

# The centre runs in the container's own network, so calls go through it.
centre() { docker compose exec -T authority /samecup "$@" --to 127.0.0.1:7100; }

tries=0
until centre stations >/dev/null 2>&1; do
  tries=$((tries + 1))
  [ "$tries" -lt 60 ] || { echo "the authority does not answer; see: docker compose logs authority" >&2; exit 1; }
  sleep 1
done

centre site add tannery-row --name "Tannery Row" --region harbour --time-zone Europe/London
BAR_1_CODE=$(centre station-code tannery-row bar-1)
BAR_2_CODE=$(centre station-code tannery-row bar-2)
export BAR_1_CODE BAR_2_CODE
docker compose --profile stations up --build --detach

docker compose run --rm --no-deps -T -v "$PWD/../testdata/harbour-finch-counter:/book:ro" \
  authority publish /book --to authority:7100 --note "first book"

echo "log builds:   samecup log --to 127.0.0.1:7201 testdata/builds/menu.jsonl"
echo "see them:     samecup deviations --from 127.0.0.1:7100 --follow"
