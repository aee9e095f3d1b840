package season

import (
	"fmt"
	"math"
	"slices"
)

var siteNames = []string{"tannery-row", "lantern-hill", "oyster-steps", "quillmaker-street", "saltmarsh-lane", "bellfoundry-yard"}

// milkGroups is how many dairies supply the chain, each some of the sites.
const milkGroups = 2

// site is a shop.
type site struct {
	slug       string
	no         int
	group      int     // of milk supply
	overlay    int     // overlaid where the region's overlay holds
	busy       float64 // factor on drinks
	timeS      float64 // its people aim this far off the spec
	tempC      float64
	staff      []*barista // who may work here
	away       []*barista // roamers' second site is this one
	crews      [shifts][]*barista
	crewsDay   int
	substitute map[string]vessel // cups of another delivery; F2
}

// barista is a pseudonym with habits.
type barista struct {
	name         string
	home, second *site
	timeS        float64
	tempC        float64
	doseG        float64
	air          float64
	gap          float64 // to full skill when new at this; shrinks with builds
	made         float64
	spread       float64 // factor on every SD; 1 but for the honest outlier
	past         map[string]*replay
	rows         int
}

// replay is what a barista logged before, as deviations from the target.
type replay struct {
	old []float64
	at  int
}

// skillGap is 1 for a beginner and falls to 0.
func (b *barista) skillGap(p *Params) float64 {
	if b.gap == 0 {
		return 0
	}
	return b.gap * math.Exp(-b.made/p.Effects.SkillBuilds)
}

// found sets the chain up: sites, stations, staff.
func (r *run) found(sites, stations int) error {
	d, e := r.d, &r.p.Effects
	d.set(r.key, saltChain)
	r.releaseDay = math.Floor(float64(r.days) * d.between(0.3, 0.55))
	for i := range sites {
		s := &site{slug: siteNames[i], no: i, group: i % milkGroups, busy: math.Exp(d.norm(0, r.p.Volume.SiteSD)),
			timeS: d.norm(0, e.SiteTime), tempC: d.norm(0, e.SiteTemp), crewsDay: -1}
		if i == min(4, sites-1) {
			s.overlay = overlaid
		}
		r.sites = append(r.sites, s)
		for n := range stations {
			st := &station{run: r, site: s, no: n, slug: fmt.Sprintf("bar-%d", n+1), key: mix(r.key ^ uint64(i*16+n+1)<<8)}
			st.equip(d)
			r.stations = append(r.stations, st)
		}
		for range 4 + d.IntN(6) {
			b := &barista{name: fmt.Sprintf("b-%03d", 101+len(r.staff)), home: s, timeS: d.norm(0, e.BaristaTime), tempC: d.norm(0, e.BaristaTemp),
				doseG: d.norm(0, r.p.Shot.DoseBiasSD), air: d.norm(0, r.p.Milk.AirBiasSD), spread: 1, past: map[string]*replay{}}
			isNew, seasoned := d.Float64() < e.NewShare, d.between(500, 6000)
			b.gap = 1
			if !isNew {
				b.gap = math.Exp(-seasoned / e.SkillBuilds)
			}
			r.staff = append(r.staff, b)
			s.staff = append(s.staff, b)
		}
	}
	// One in ten works at two sites, so that site and barista can be told apart.
	for k := range max(1, (len(r.staff)+5)/10) {
		from := r.sites[k%len(r.sites)]
		b := from.staff[len(from.staff)-1-k/len(r.sites)%2]
		b.second = r.sites[(k+1+d.IntN(len(r.sites)-1))%len(r.sites)]
		if b.second == b.home {
			b.second = r.sites[(k+1)%len(r.sites)]
		}
		b.second.away = append(b.second.away, b)
	}
	// One tablet of the chain is far off.
	off := r.stations[d.IntN(len(r.stations))]
	off.clock = r.p.Instruments.ClockOffS
	r.whole.ClockOff = off.site.slug + "/" + off.slug
	return nil
}

// substitute prepares the cups of another delivery at the struck site.
func (r *run) substitute() error {
	r.fault.site.substitute = map[string]vessel{}
	for _, rec := range r.menu.recipes {
		if rec.vesselID != r.fault.lot {
			continue
		}
		v, err := rec.vessel.substitute(r.p.Faults.CupBrim, r.p.Faults.CupTop)
		if err != nil {
			return fmt.Errorf("substitute cup: %w", err)
		}
		r.fault.site.substitute[rec.vesselID] = v
	}
	return nil
}

// crew is who works at a station in a shift: two where the staff is enough. A
// roamer is at the second site on odd days, and never at two sites in a day.
func (r *run) crew(s *site, station, dayNo, shift, stations int) []*barista {
	if s.crewsDay != dayNo {
		s.crewsDay = dayNo
		r.d.set(r.key^uint64(dayNo)<<16^uint64(s.no)<<8, saltRoster)
		var in []*barista
		for _, b := range s.staff {
			if b.second == nil || dayNo%2 == 0 {
				in = append(in, b)
			}
		}
		if dayNo%2 == 1 {
			in = append(in, s.away...)
		}
		r.d.Shuffle(len(in), func(i, j int) { in[i], in[j] = in[j], in[i] })
		// The second shift starts with those whom the first did not need.
		need := min(2*stations, len(in))
		s.crews[0] = in[:need]
		s.crews[1] = slices.Concat(in[need:], in[:need])[:need]
	}
	all := s.crews[shift]
	var out []*barista
	for i := station; i < len(all); i += stations {
		out = append(out, all[i])
	}
	if len(out) == 0 {
		out = append(out, all[station%len(all)])
	}
	return out
}

// coffeeLot is the lot in use at a site on a day: a week each, the sites going
// over on different days.
func (r *run) coffeeLot(s *site, dayNo int) int { return (dayNo + s.no) / 7 }

// milkLotLong is how many days a lot of milk lasts.
const milkLotLong = 5

// lotEffect is the effect of a lot, drawn anew from its name.
func (r *run) lotEffect(kind, lot int, sd float64) float64 {
	r.d.set(r.key^uint64(kind)<<32^uint64(lot)<<8, saltLot)
	return r.d.norm(0, sd)
}
