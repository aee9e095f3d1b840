package store

import (
	"context"
	"fmt"
	"slices"

	"samecup.example/samecup/services/quality/rollup"
)

// readCuts adds the builds of hours within which the range begins or ends.
func (s *SQL) readCuts(ctx context.Context, q *RollupQuery, m *places, a *area, cuts []int64, servings []string, groups map[RollupKey]*rollup.Group) error {
	if len(cuts) == 0 {
		return nil
	}
	found := make(map[RollupKey]*rollup.Group)
	for stations := range slices.Chunk(m.beneath(a.places), placesAtOnce) {
		if err := s.readCut(ctx, q, m, a, stations, cuts, servings, found); err != nil {
			return err
		}
	}
	for key, g := range found {
		into := groupOf(groups, key)
		into.Counts.Add(g.Counts)
		if !q.Detail {
			continue
		}
		for kind, n := range g.Findings {
			into.Found(kind, n)
		}
		for id, c := range g.Checks {
			if len(q.Checks) == 0 || slices.Contains(q.Checks, id) {
				into.Check(id).Merge(c)
			}
		}
	}
	return nil
}

func (s *SQL) readCut(ctx context.Context, q *RollupQuery, m *places, a *area, stations, hours []int64, servings []string, groups map[RollupKey]*rollup.Group) error {
	query := selectRollBuild + `JOIN rollup_builds h ON h.build_ref = b.ref
		WHERE h.station_ref IN (` + marks(len(stations)) + `) AND h.hour IN (` + marks(len(hours)) + `)`
	var args []any
	for _, list := range [][]int64{stations, hours} {
		for _, v := range list {
			args = append(args, v)
		}
	}
	if !slices.Contains(servings, "") { // which stands for all
		query += ` AND ` + servingOf + ` IN (` + marks(len(servings)) + `)`
		for _, v := range servings {
			args = append(args, v)
		}
	}
	rows, err := s.db.Read.QueryContext(ctx, query, args...)
	if err != nil {
		return fmt.Errorf("list the builds where days begin: %w", err)
	}
	_, err = collect(rows, "the builds where days begin", func(*struct{}) error {
		var b rollBuild
		if err := scanRollBuild(rows, &b); err != nil || !b.counts {
			return err
		}
		if day := a.calendar.DayAt(b.started); day >= q.FirstDay && day <= q.LastDay {
			b.addTo(groupOf(groups, q.key(m.names[b.station], b.serving, a.hourKey(q.Span, b.hour, day))))
		}
		return nil
	})
	return err
}

// beneath are the stations of places: stations, sites or the chain.
func (m *places) beneath(of []int64) (stations []int64) {
	for i := range m.sites {
		site := &m.sites[i]
		all := slices.Contains(of, 0) || slices.Contains(of, site.place)
		for _, st := range site.stations {
			if all || slices.Contains(of, st.place) {
				stations = append(stations, st.place)
			}
		}
	}
	return stations
}
