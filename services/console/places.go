package console

import (
	"fmt"
	"strings"
)

// placesPage is where the chain is.
type placesPage struct {
	Region          string
	Regions         []choice
	Sites, Stations *Table
	Lacks           string
	First           bool
}

func placesShow(v *visit) (*view, error) {
	l := v.sites()
	stations, err := v.stations()
	if err != nil {
		return nil, err
	}
	per := map[string]int{}
	for _, s := range stations {
		per[s.Site]++
	}
	p := &placesPage{Region: v.URL.Query().Get("region"), Lacks: v.lacks("add a site or enrol a station", roleSites), First: len(l.Sites) == 0}
	in := map[string]bool{}
	regions := map[string]bool{}
	for _, s := range l.Sites {
		in[s.Id] = p.Region == "" || s.Region == p.Region
		if s.Region != "" && !regions[s.Region] {
			regions[s.Region] = true
			p.Regions = append(p.Regions, choice{s.Region, s.Region, s.Region == p.Region})
		}
	}
	p.Sites = &Table{ID: "sites", Caption: "Sites", Cols: cols("site", "id", "region", "time zone", "opens", "#people at the bar", "#stations"),
		Empty: "No site is there yet. Add the first: it follows the chain's book from then on."}
	for _, s := range l.Sites {
		if !in[s.Id] {
			continue
		}
		people := text("not said")
		if s.PeopleCount > 0 {
			people = textf("%d", s.PeopleCount)
		}
		p.Sites.add(head(s.Name, placeLink(s.Id)), text(s.Id), text(s.Region), text(s.TimeZone), text(openingWords(s.OpeningMinutes)), people, textf("%d", per[s.Id]))
	}
	p.Stations = &Table{ID: "stations", Caption: "Stations", Cols: cols("station", "~state", "#follows release", "#should follow", "last heard", "enrolled"),
		Empty: "No station is enrolled yet. Open a site to make a code for its first one."}
	for _, s := range stations {
		if p.Region != "" && !in[s.Site] {
			continue
		}
		words, tone := trouble(s, nil, v.now)
		if words == "" {
			words = "well"
		}
		z := l.zone(s.Site)
		p.Stations.add(head(l.name(s.Site)+", "+s.Station, stationLink(s.Site, s.Station, "")), Cell{Text: words, Tone: tone}, textf("%d", s.GetPresence().GetRelease()), textf("%d", s.ExpectedRelease),
			text(clock(s.PresenceTime, z, v.now)), text(clock(s.EnrolledTime, z, v.now)))
	}
	v.shorten(p.Sites)
	v.shorten(p.Stations)
	return &view{Title: "Places", Data: p, Tables: []*Table{p.Sites, p.Stations}}, nil
}

// openingWords says when a site opens, in as few words as its week allows.
func openingWords(minutes []int32) string {
	if len(minutes) != 7 {
		return "05:00 every day"
	}
	one := func(m int32) string {
		if m < 0 {
			return "closed"
		}
		return fmt.Sprintf("%02d:%02d", m/60, m%60)
	}
	same := true
	for _, m := range minutes {
		same = same && m == minutes[0]
	}
	if same {
		return one(minutes[0]) + " every day"
	}
	var out []string
	for i := 0; i < 7; {
		k := i
		for k+1 < 7 && minutes[k+1] == minutes[i] {
			k++
		}
		days := weekdays[i]
		if k > i {
			days += " to " + weekdays[k]
		}
		out = append(out, days+" "+one(minutes[i]))
		i = k + 1
	}
	return strings.Join(out, ", ")
}

var weekdays = [7]string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"}
