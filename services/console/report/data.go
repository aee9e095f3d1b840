package report

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/reading"
)

// Data is all that a report says, as the services said it.
type Data struct {
	Scope Scope
	Week  Week
	// Made is the time that the document carries; nothing else looks at a clock.
	Made time.Time
	// Read decides how numbers, units and dates are written; the words are English.
	// All that is kept here is metric.
	Read  reading.Reader
	Chain string
	// Names of drinks and ingredients by their ids, as the newest book of the chain
	// has them.
	Names map[string]string
	// Measures by the ids of the checks of that book.
	Measures map[string]string

	// Sites and Stations of the scope, by id.
	Sites    []*pb.Site
	Stations []*pb.Station
	// Cases that were open when the week ended, with their evidence, gravest
	// first.
	Cases []*pb.GetCaseResponse
	// Signals seen in the week, newest first.
	Signals   []*pb.Signal
	Questions []*pb.Question

	// SiteWeek has a row a site of the whole chain: a site is compared with all.
	SiteWeek []*pb.Rollup
	// MixWeek splits them by drink.
	MixWeek []*pb.Rollup
	// StationWeek has a row a station of the scope, with its findings.
	StationWeek []*pb.Rollup
	// PlaceDays has a row a business day and site of the scope, or station where
	// the scope is one site, over [weeksBack] weeks.
	PlaceDays []*pb.Rollup
	// CheckWeek has a row a check over the scope.
	CheckWeek []*pb.Rollup
	// Drifts are the surest changes of level, with what is needed to draw them.
	Drifts []Drift

	// Day is the site's station and day with the most builds not as specified;
	// nil where there is none, and for more than one site.
	Day *StationDay

	Releases []*pb.ReleaseInfo
	Rollouts []*pb.Rollout
	Stops    []*pb.StopStatus
	// PendingBuilds are counted and not yet in the figures.
	PendingBuilds int64
	// UnwatchedBuilds is about how many builds the watch has not read yet, so that
	// cases and signals may be behind.
	UnwatchedBuilds int64
	// Skipped says in words what was left out.
	Skipped []string
}

// Drift is a measure that moved at a station.
type Drift struct {
	Signal *pb.Signal
	// Serving has the most readings of the measure there.
	Serving string
	// Days are its means of each business day, over [weeksBack] weeks.
	Days []*pb.Rollup
	// Readings of the week, in the measure's base unit, in order of time.
	Readings []float64
	// Check is what the book of the last build said; nil where it is not known.
	Check *drink.Check
}

// StationDay is one business day at one station.
type StationDay struct {
	Site, Station string
	// Date as YYYY-MM-DD.
	Date string
	// Builds of it, in order of time.
	Builds []*pb.JudgedBuild
	// Limits are the tolerances of a check where all servings of the day share
	// one, by the check's id.
	Limits map[string]*drink.Check
}

// weeksBack is how many weeks, the report's own included, a picture goes back.
const weeksBack = 5

// zone is a site's zone; UTC where it is not known.
func (d *Data) zone(site string) *time.Location {
	for _, s := range d.Sites {
		if s.Id == site {
			return location(s.TimeZone)
		}
	}
	return d.home()
}

func location(name string) *time.Location {
	if loc, err := time.LoadLocation(name); err == nil {
		return loc
	}
	return time.UTC
}

// home is the zone of what has no site: the one that most sites live by.
func (d *Data) home() *time.Location {
	count := map[string]int{}
	for _, s := range d.Sites {
		count[s.TimeZone]++
	}
	best := ""
	for _, z := range slices.Sorted(maps.Keys(count)) {
		if best == "" || count[z] > count[best] {
			best = z
		}
	}
	return location(best)
}

// zones are all zones of the scope, by name.
func (d *Data) zones() []string {
	in := map[string]bool{}
	for _, s := range d.Sites {
		in[s.TimeZone] = true
	}
	return slices.Sorted(maps.Keys(in))
}

// bounds are the instants between which the week lay at a site; "" is the
// scope's home.
func (d *Data) bounds(site string) (from, to time.Time) {
	cut := 180 // the default of fleet_service.proto
	for _, s := range d.Sites {
		if s.Id == site {
			cut = cmp.Or(int(s.DayCutMinutes), cut)
		}
	}
	loc := d.zone(site)
	m := d.Week.Monday()
	at := func(days int) time.Time { return time.Date(m.Year(), m.Month(), m.Day()+days, 0, cut, 0, 0, loc) }
	return at(0), at(7)
}

func (d *Data) within(t time.Time, site string) bool {
	from, to := d.bounds(site)
	return !t.Before(from) && t.Before(to)
}

// holds says whether a site is in the scope.
func (d *Data) holds(site string) bool {
	return slices.ContainsFunc(d.Sites, func(s *pb.Site) bool { return s.Id == site })
}

// touches says whether any of the sites is in the scope; none named is the
// whole chain.
func (d *Data) touches(sites []string) bool {
	return len(sites) == 0 && d.Scope == Scope{} || slices.ContainsFunc(sites, d.holds)
}

// reached says whether something with these scopes ("chain", "region.x",
// "site.x") holds for a site of the report.
func (d *Data) reached(scopes ...string) bool {
	for _, s := range scopes {
		if s == "" || s == "chain" {
			return true
		}
		for _, site := range d.Sites {
			if s == "site."+site.Id || s == "region."+site.Region {
				return true
			}
		}
	}
	return len(scopes) == 0
}

// judged are the builds of which it is known whether they were as specified,
// and those that were not. Builds that could not be confirmed are in neither.
func judged(c *pb.BuildCounts) (bad, n int) {
	bad = int(c.GetOffSpec() + c.GetUnsafe())
	return bad, bad + int(c.GetInSpec())
}

func findings(r *pb.Rollup, kind string) int64 {
	for _, f := range r.Findings {
		if f.Kind == kind {
			return f.Count
		}
	}
	return 0
}
