package report

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	bySite    = pb.RollupDimension_ROLLUP_DIMENSION_SITE
	byStation = pb.RollupDimension_ROLLUP_DIMENSION_STATION
	byServing = pb.RollupDimension_ROLLUP_DIMENSION_SERVING
	byDrink   = pb.RollupDimension_ROLLUP_DIMENSION_DRINK
	byCheck   = pb.RollupDimension_ROLLUP_DIMENSION_CHECK
	byDay     = pb.RollupDimension_ROLLUP_DIMENSION_DAY
)

const (
	// mostDrifts are drawn, the surest.
	mostDrifts = 3
	// mostReadings of a drift's week are drawn.
	mostReadings = 3000
)

// days filters to the weeks up to and with the report's.
func (g *gatherer) days(weeks int) *pb.RollupFilter {
	return &pb.RollupFilter{FirstDay: g.q.Week.Before(weeks - 1).Monday().Format(time.DateOnly), LastDay: g.q.Week.Sunday().Format(time.DateOnly)}
}

// rows asks for all rows of a question.
func (g *gatherer) rows(f *pb.RollupFilter, findings bool, by ...pb.RollupDimension) ([]*pb.Rollup, error) {
	var out []*pb.Rollup
	err := g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Insight.QueryRollups(ctx, &pb.QueryRollupsRequest{Filter: f, GroupBy: by, Findings: findings, PageSize: 10_000, PageToken: token})
		out = append(out, res.GetRollups()...)
		g.d.PendingBuilds = max(g.d.PendingBuilds, res.GetPendingBuilds())
		return res.GetNextPageToken(), err
	})
	return out, err
}

// inScope restricts a filter to the scope's sites.
func (g *gatherer) inScope(f *pb.RollupFilter) *pb.RollupFilter {
	if g.q.Scope == (Scope{}) {
		return f
	}
	for _, s := range g.d.Sites {
		f.Sites = append(f.Sites, s.Id)
	}
	return f
}

func (g *gatherer) figures() error {
	place := bySite
	if g.q.Scope.Site != "" {
		place = byStation
	}
	for _, ask := range []struct {
		into     *[]*pb.Rollup
		filter   *pb.RollupFilter
		findings bool
		by       []pb.RollupDimension
	}{
		{&g.d.SiteWeek, g.days(1), true, []pb.RollupDimension{bySite}},
		{&g.d.MixWeek, g.days(1), false, []pb.RollupDimension{bySite, byDrink}},
		{&g.d.StationWeek, g.inScope(g.days(1)), true, []pb.RollupDimension{byStation}},
		{&g.d.PlaceDays, g.inScope(g.days(weeksBack)), false, []pb.RollupDimension{place, byDay}},
		{&g.d.CheckWeek, g.inScope(g.days(1)), false, []pb.RollupDimension{byCheck}},
	} {
		var err error
		if *ask.into, err = g.rows(ask.filter, ask.findings, ask.by...); err != nil {
			return err
		}
	}
	return nil
}

// drifting are the kinds of signal that are drawn.
var drifting = []string{"level", "trend", "spread"}

func (g *gatherer) drifts() error {
	var chosen []*pb.Signal
	for _, s := range g.d.Signals {
		if slices.Contains(drifting, s.Kind) && s.Station != "" && drink.MeasureByCode(s.Measure) != nil {
			chosen = append(chosen, s)
		}
	}
	// The surest first; of equals the newest, as they came.
	slices.SortStableFunc(chosen, func(a, b *pb.Signal) int { return cmp.Compare(chance(a), chance(b)) })
	seen := map[string]bool{}
	for _, s := range chosen {
		key := s.Site + "/" + s.Station + "/" + s.Measure
		if seen[key] || len(g.d.Drifts) == mostDrifts {
			continue
		}
		seen[key] = true
		d, err := g.drift(s)
		if err != nil {
			return err
		}
		if d != nil {
			g.d.Drifts = append(g.d.Drifts, *d)
		}
	}
	return nil
}

// chance orders signals; one by a rule has no p-value and comes after.
func chance(s *pb.Signal) float64 {
	if s.P == nil {
		return 1
	}
	return *s.P
}

// drift asks for the picture of one; nil where there is none to draw.
func (g *gatherer) drift(s *pb.Signal) (*Drift, error) {
	here := func(weeks int) *pb.RollupFilter {
		f := g.days(weeks)
		f.Stations = []string{s.Site + "/" + s.Station}
		return f
	}
	servings, err := g.rows(here(1), false, byServing, byCheck)
	if err != nil {
		return nil, err
	}
	d := &Drift{Signal: s}
	var most int64
	for _, r := range servings {
		if r.Check.GetCheck() == s.Measure && r.Check.GetReadings() > most {
			most, d.Serving = r.Check.GetReadings(), r.Serving
		}
	}
	if d.Serving == "" {
		return nil, nil
	}
	f := here(weeksBack)
	f.Servings = []string{d.Serving}
	all, err := g.rows(f, false, byDay, byCheck)
	if err != nil {
		return nil, err
	}
	for _, r := range all {
		if r.Check.GetCheck() == s.Measure && r.Check.MeanMilli != nil {
			d.Days = append(d.Days, r)
		}
	}
	f = here(1)
	f.Servings = []string{d.Serving}
	if err := g.readings(d, f); err != nil {
		return nil, err
	}
	return d, nil
}

// readings lists those of the week and finds the check as the book had it.
func (g *gatherer) readings(d *Drift, f *pb.RollupFilter) error {
	type read struct {
		at time.Time
		v  float64
	}
	var all []read
	var release uint64
	err := g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Insight.ListBuilds(ctx, &pb.ListBuildsRequest{Filter: f, Check: d.Signal.Measure, PageSize: 1000, PageToken: token})
		for _, b := range res.GetBuilds() {
			release = max(release, b.Build.GetRelease())
			for _, r := range b.Build.GetReadings() {
				if r.Check == d.Signal.Measure {
					all = append(all, read{b.Build.StartedTime.AsTime(), float64(r.ValueMilli) / 1000})
				}
			}
		}
		if len(all) > mostReadings {
			return "", err
		}
		return res.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	slices.SortStableFunc(all, func(a, b read) int { return a.at.Compare(b.at) })
	for _, r := range all {
		d.Readings = append(d.Readings, r.v)
	}
	if release == 0 {
		return nil
	}
	book, err := g.book(release)
	if err != nil {
		return err
	}
	if s, ok := book.ServingByID(d.Serving); ok {
		d.Check = checkByID(s, d.Signal.Measure)
	}
	return nil
}

func checkByID(s *drink.Serving, id string) *drink.Check {
	for i := range s.Checks {
		if s.Checks[i].ID == id {
			return &s.Checks[i]
		}
	}
	return nil
}

// book reads the book of a release.
func (g *gatherer) book(number uint64) (*drink.Book, error) {
	var res *pb.GetReleaseResponse
	if _, err := g.once(func(ctx context.Context) (string, error) {
		var err error
		res, err = g.Books.GetRelease(ctx, &pb.GetReleaseRequest{Number: number})
		return "", err
	}); err != nil {
		return nil, err
	}
	// The authority signed it itself: what is read here decides nothing.
	var rel pb.Release
	if err := proto.Unmarshal(res.GetEnvelope().GetPayload(), &rel); err != nil {
		return nil, fmt.Errorf("release %d: %w", number, err)
	}
	book, err := wire.BookFromProto(rel.Book)
	if err != nil {
		return nil, fmt.Errorf("the book of release %d: %w", number, err)
	}
	return book, nil
}
