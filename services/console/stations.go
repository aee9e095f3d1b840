package console

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// silentAfter is how long a station may say nothing before it is looked after;
// it says something at least every 15 s.
const silentAfter = 15 * time.Minute

// stations lists the fleet.
func (v *visit) stations() ([]*pb.Station, error) {
	var out []*pb.Station
	req := &pb.ListStationsRequest{PageSize: 1000}
	for {
		res, err := v.ask.fleet.ListStations(v.ctx, req)
		if err != nil {
			return nil, err
		}
		out = append(out, res.Stations...)
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return out, nil
		}
	}
}

// trouble says what wants a look at a station; empty where nothing does.
func trouble(s *pb.Station, in *pb.StationIntake, now time.Time) (words, tone string) {
	switch p := s.Presence; {
	case p == nil:
		return "never heard of since it was enrolled", "caution"
	case now.Sub(s.PresenceTime.AsTime()) > silentAfter:
		return "silent for " + spell(now.Sub(s.PresenceTime.AsTime())), "caution"
	case s.ExpectedRelease != 0 && p.Release == 0:
		return "holds no release", "alert"
	case s.ExpectedRelease != 0 && p.Release != s.ExpectedRelease && p.NextRelease != s.ExpectedRelease:
		return fmt.Sprintf("stale: follows release %d instead of %d", p.Release, s.ExpectedRelease), "caution"
	case p.Stale:
		return "stale: heard nothing fresh for longer than it may", "caution"
	}
	switch {
	case in.GetChainBrokenAt() > 0:
		return fmt.Sprintf("its log does not hold together at number %d", in.ChainBrokenAt), "alert"
	case in.GetDisputed() > 0:
		return plural(int(in.Disputed), "verdict differs", "verdicts differ") + " from the centre's", "caution"
	}
	return "", ""
}

func spell(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return plural(int(d.Minutes()), "minute", "minutes")
	case d < 48*time.Hour:
		return plural(int(d.Hours()), "hour", "hours")
	}
	return plural(int(d.Hours()/24), "day", "days")
}

func intakeBy(in *pb.GetIntakeResponse) map[string]*pb.StationIntake {
	out := map[string]*pb.StationIntake{}
	for _, s := range in.GetStations() {
		out[s.Site+"/"+s.Station] = s
	}
	return out
}

func troubledStations(v *visit, list []*pb.Station, in *pb.GetIntakeResponse, sites *siteList) *Table {
	if list == nil && in == nil {
		return nil
	}
	t := &Table{ID: "stations", Caption: "Stations silent or stale", Cols: cols("station", "~what", "last heard", "last build"),
		Empty: "Every station is heard of and follows the release that it should."}
	if len(list) == 0 {
		t.Empty = "No station is enrolled yet. samecup station-code makes a code with which one enrols."
	}
	by := intakeBy(in)
	for _, s := range list {
		words, tone := trouble(s, by[s.Site+"/"+s.Station], v.now)
		if words == "" {
			continue
		}
		t.Rows = append(t.Rows, stationRow(v, s, sites, words, tone))
	}
	return t
}

func stationRow(v *visit, s *pb.Station, sites *siteList, words, tone string) []Cell {
	z := sites.zone(s.Site)
	return []Cell{head(sites.name(s.Site)+", "+s.Station, stationLink(s.Site, s.Station, "")), {Text: words, Tone: tone}, text(clock(s.PresenceTime, z, v.now)), text(clock(s.GetPresence().GetLastBuildTime(), z, v.now))}
}

// stationsPage lists the fleet by site.
type stationsPage struct {
	Site  string
	Sites *siteList
	All   *Table
}

func stationList(v *visit) (*view, error) {
	list, err := v.stations()
	if err != nil {
		return nil, err
	}
	in, err := v.ask.quality.GetIntake(v.ctx, &pb.GetIntakeRequest{})
	v.part("what quality counted", err)
	sites := v.sites()
	by := intakeBy(in)
	t := &Table{ID: "stations", Caption: "Every station, those that want a look first", Cols: cols("station", "~state", "last heard", "last build", "#release", "#builds counted", "#deviations"),
		Empty: "No station is enrolled yet. samecup station-code makes a code with which one enrols."}
	p := stationsPage{Site: v.URL.Query().Get("site"), Sites: sites, All: t}
	if p.Site != "" {
		list = slices.DeleteFunc(list, func(s *pb.Station) bool { return s.Site != p.Site })
		t.Caption, t.Empty = "The stations of "+sites.name(p.Site), "No station is enrolled there. samecup station-code makes a code with which one enrols."
	}
	// In a large chain the page ends before the list does, so trouble comes first.
	slices.SortStableFunc(list, func(a, b *pb.Station) int {
		rank := func(s *pb.Station) int {
			if words, _ := trouble(s, by[s.Site+"/"+s.Station], v.now); words != "" {
				return 0
			}
			return 1
		}
		return cmp.Compare(rank(a), rank(b))
	})
	for _, s := range list {
		k := by[s.Site+"/"+s.Station]
		words, tone := trouble(s, k, v.now)
		if words == "" {
			words = "well"
		}
		row := stationRow(v, s, sites, words, tone)
		t.add(append(row, textf("%d", s.GetPresence().GetRelease()), Cell{Text: count(int64(k.GetBuilds())), CSV: fmt.Sprint(k.GetBuilds())}, Cell{Text: count(int64(k.GetDeviations())), CSV: fmt.Sprint(k.GetDeviations())})...)
	}
	return &view{Title: "Stations", Data: p, Tables: []*Table{t}}, nil
}
