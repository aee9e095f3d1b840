package govern_test

import (
	"maps"
	"slices"

	"samecup.example/samecup/internal/govern"
)

// said is one placement as it was once sent, under the number of its act.
type said struct {
	serial uint64
	region string
}

// mStation is a station as the centre should see it, and what the one out there
// holds: placements reach it late, again, out of order or never.
type mStation struct {
	site string
	sent []said
	held said
}

func (m *mStation) newest() said { return m.sent[len(m.sent)-1] }

func (m *model) moveStations(site govern.Site, act uint64) {
	for _, x := range m.stations {
		if x.site == site.ID {
			x.sent = append(x.sent, said{act, site.Region})
		}
	}
}

var modelStations = []string{"bar-1", "bar-2"}

func (p *player) enrol() {
	site, station := p.pick("site", modelSites), p.pick("station", modelStations)
	who := p.who(govern.FleetManager, govern.Administrator)
	v, known := p.m.sites[site]
	acts, err := p.o.MakeEnrolment(p.call(who), site, station, p.o.now)
	if !p.agree("make a code", known && p.can(who, govern.FleetManager, govern.Administrator), acts, err) {
		return
	}
	by := site
	if p.n("another's code", 0, 9) == 0 {
		by = p.pick("by", modelSites)
	}
	acts, err = p.o.EnrolStation(p.o.station(by), site, station)
	if !p.agree("enrol", by == site, acts, err) {
		return
	}
	x := p.m.stations[site+"/"+station]
	if x == nil {
		x = &mStation{site: site}
		p.m.stations[site+"/"+station] = x
	}
	x.sent = append(x.sent, said{p.o.Number(), v.Region})
	// An enrolment tells it at once, whatever was on its way.
	x.held = x.newest()
}

// deliver lets any placement that was ever sent reach its station.
func (p *player) deliver() {
	if len(p.m.stations) == 0 {
		return
	}
	x := p.m.stations[p.pick("to", slices.Sorted(maps.Keys(p.m.stations)))]
	got := x.sent[p.n("which", 0, len(x.sent)-1)]
	if got.serial >= x.held.serial {
		x.held = got
	}
}

// checkStations wants each station placed where its site lies, under a number
// that only rises, and the newest placement to be one with which everything that
// the site is told from now on may be followed.
func (p *player) checkStations() {
	n := 0
	for range p.o.Stations() {
		n++
	}
	if n != len(p.m.stations) {
		p.Fatalf("%d stations, the model says %d", n, len(p.m.stations))
	}
	for name, x := range p.m.stations {
		station := name[len(x.site)+1:]
		got, _ := p.o.Station(x.site, station)
		want := x.newest()
		if got.Region != want.region || got.Placed != want.serial || want.region != p.m.sites[x.site].Region {
			p.Fatalf("%s is placed in %s by act %d, the model says %+v, and its site lies in %s", name, got.Region, got.Placed, want, p.m.sites[x.site].Region)
		}
		for i, s := range x.sent[1:] {
			if s.serial <= x.sent[i].serial {
				p.Fatalf("%s: placements %+v do not rise", name, x.sent)
			}
		}
		if x.held.serial == want.serial && x.held.region != want.region {
			p.Fatalf("%s holds %+v, and the newest is %+v", name, x.held, want)
		}
		orders, _ := p.o.Orders(x.site)
		now, _ := p.o.InForce(x.site, p.o.now)
		for _, o := range orders {
			if (o.Release == now.Release || o.Start.After(p.o.now)) && !slices.Contains(p.o.Scopes(x.site), o.Scope) {
				p.Fatalf("%s in %s is told to follow %s: %+v", x.site, want.region, o.Scope, o)
			}
		}
	}
}
