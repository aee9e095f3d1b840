package launch

import (
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// tannery and cooper go first; oyster departs from the book; lantern opens
	// within the hour that London's clocks show twice.
	tannery, lantern, oyster, cooper = "tannery-row", "lantern-hill", "oyster-steps", "cooper-wharf"

	london, newYork, sydney = "Europe/London", "America/New_York", "Australia/Sydney"

	// changeDay is the business day of the launch. London leaves summer time at
	// 01:00 UTC on it; New York does a week later, and Sydney went on to summer
	// time three weeks before (IANA time zone database).
	changeDay = "2026-10-25"
)

// beginning is a Monday, in the week before the change.
var beginning = time.Date(2026, 10, 19, 9, 0, 0, 0, time.UTC)

var zones = []struct {
	name, region string
	sites        []string
	// opens is when a site of the zone opens on changeDay: 05:00 by its wall
	// clock, the authority's default. UTC+0, +11 and -4.
	opens time.Time
}{
	{london, "thames", []string{tannery, lantern, oyster, "quillmaker-street", "chandler-lane", "ropewalk", "saltmarket", "needle-yard",
		"mercer-court", "gull-passage", "tinker-bridge", "weaver-green", "candle-wharf", "lime-arcade"}, time.Date(2026, 10, 25, 5, 0, 0, 0, time.UTC)},
	{newYork, "hudson", []string{cooper, "brickyard-alley", "ferry-slip", "lindenkill", "mason-street", "old-foundry", "pearl-corner",
		"quarry-road", "signal-house", "tollgate", "union-stairs", "vinegar-lane", "whaler-square"}, time.Date(2026, 10, 25, 9, 0, 0, 0, time.UTC)},
	{sydney, "southern", []string{"anchor-point", "banksia-steps", "cutter-quay", "drover-arcade", "eastlight", "figtree-place", "harbour-end",
		"ironbark-row", "jetty-lane", "kelp-street", "lightkeeper", "magpie-court", "north-head"}, time.Date(2026, 10, 24, 18, 0, 0, 0, time.UTC)},
}

// lanternOpens is 01:30 by the wall clock, which London shows twice that night;
// the first counts.
var lanternOpens = time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC)

func siteOf(id, region, zone string) *pb.Site {
	s := &pb.Site{Id: id, Name: id, Region: region, TimeZone: zone, PeopleCount: 8}
	if id == lantern {
		s.OpeningMinutes = []int32{90, 90, 90, 90, 90, 90, 90}
		s.DayCutMinutes = 60
	}
	return s
}
