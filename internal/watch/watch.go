package watch

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Most of what is kept, so that memory is bounded by the chain and not by its
// history.
const (
	mostKeys   = 64     // findings followed at one station
	mostGroups = 4000   // lots, baristas and releases, by measure
	mostPeople = 2000   // whose logs are screened
	mostCharts = 50_000 // of places compared, of each kind
	groupLives = 90 * 24 * time.Hour
	unitsMost  = 3.0 // half-widths of tolerance that one reading may count
)

// Watch follows a chain. It is not safe for concurrent use. Everything it
// yields is determined by what it was given; stations may come in any order
// within a business day.
type Watch struct {
	cfg    Config
	design Design
	st     state
}

// state is all that a snapshot holds.
type state struct {
	Day       time.Time            `json:"day"`
	Last      time.Time            `json:"last"`
	Late      int                  `json:"late"`
	Stations  map[string]*station  `json:"stations"`
	Sites     map[string]*chart    `json:"sites"`                // by site and measure
	Chain     map[string]*chart    `json:"chain"`                // by measure
	Daily     map[string]*mark     `json:"daily"`                // since the day's start
	ChainLots map[string]string    `json:"chain_lots,omitempty"` // by measure
	Waiting   map[string]*weighted `json:"waiting,omitempty"`    // by vessel, measure and site
	Peers     map[string]*chart    `json:"peers,omitempty"`      // by station and measure
	Pumps     map[string]*base     `json:"pumps,omitempty"`      // by measure and drink
	Pumped    []pumped             `json:"pumped,omitempty"`     // since the day's start
	Groups    map[string]*group    `json:"groups"`
	People    map[string]*person   `json:"people"`
	Audits    tally                `json:"audits"`
	Logs      int                  `json:"logs"` // that were screened, as of the day before
	// Usual is the spread within shifts and Levels where people's own levels lie,
	// by measure, as of the day before.
	Usual    map[string]float64     `json:"usual,omitempty"`
	Levels   map[string]peopleLevel `json:"levels,omitempty"`
	Majority uint64                 `json:"majority"`
	Since    time.Time              `json:"since"` // of the majority
}

type tally struct {
	N   int `json:"n"`
	Bad int `json:"bad"`
}

// weighted is a mean by readings with their number.
type weighted struct {
	N    int     `json:"n"`
	Sum  float64 `json:"sum"`
	Half float64 `json:"half"` // sum of half-widths
}

// New checks the configuration and works out the limits.
func New(cfg Config) (*Watch, error) {
	cfg = cfg.filled()
	if err := cfg.check(); err != nil {
		return nil, err
	}
	d, err := design(cfg)
	if err != nil {
		return nil, err
	}
	w := &Watch{cfg: cfg, design: d}
	w.st.fill()
	return w, nil
}

func (s *state) fill() {
	if s.Stations == nil {
		s.Stations = map[string]*station{}
	}
	if s.Sites == nil {
		s.Sites = map[string]*chart{}
	}
	if s.Chain == nil {
		s.Chain = map[string]*chart{}
	}
	if s.Daily == nil {
		s.Daily = map[string]*mark{}
	}
	if s.ChainLots == nil {
		s.ChainLots = map[string]string{}
	}
	if s.Waiting == nil {
		s.Waiting = map[string]*weighted{}
	}
	if s.Peers == nil {
		s.Peers = map[string]*chart{}
	}
	if s.Pumps == nil {
		s.Pumps = map[string]*base{}
	}
	if s.Groups == nil {
		s.Groups = map[string]*group{}
	}
	if s.People == nil {
		s.People = map[string]*person{}
	}
}

// Design is the limits in use.
func (w *Watch) Design() Design { return w.design }

// Late counts builds of shifts already closed: they are looked at for safety
// but no longer charted.
func (w *Watch) Late() int { return w.st.Late }

type snapshot struct {
	Version int    `json:"version"`
	Config  Config `json:"config"`
	// Design follows from Config; it is kept to spare working it out again.
	Design Design `json:"design"`
	State  *state `json:"state"`
}

// snapshotVersion changes when an older snapshot can no longer be read.
const snapshotVersion = 2

// Snapshot is the whole state as JSON.
func (w *Watch) Snapshot() ([]byte, error) {
	data, err := json.Marshal(snapshot{Version: snapshotVersion, Config: w.cfg, Design: w.design, State: &w.st})
	if err != nil {
		return nil, fmt.Errorf("watch: write snapshot: %w", err)
	}
	return data, nil
}

// Restore makes a watch that goes on where the snapshot was taken.
func Restore(data []byte) (*Watch, error) {
	var s snapshot
	if err := json.Unmarshal(data, &s); err != nil {
		return nil, fmt.Errorf("watch: read snapshot: %w", err)
	}
	if s.Version != snapshotVersion || s.State == nil {
		return nil, fmt.Errorf("watch: snapshot of version %d; allowed is %d: start anew from the log", s.Version, snapshotVersion)
	}
	cfg := s.Config.filled()
	if err := cfg.check(); err != nil {
		return nil, err
	}
	if d := s.Design; !(d.K > 0 && d.H > 0 && d.H1 > 0 && d.L > 0 && d.L1 > 0) {
		return nil, fmt.Errorf("watch: snapshot: design %+v; every limit must be above 0", d)
	}
	w := &Watch{cfg: cfg, design: s.Design}
	for k, st := range s.State.Stations {
		if st == nil {
			return nil, fmt.Errorf("watch: snapshot: station %q is null", k)
		}
		st.fill()
	}
	w.st = *s.State
	w.st.fill()
	return w, nil
}

// Entries counts what is held in memory: charts, groups, keys and values.
func (w *Watch) Entries() int {
	n := len(w.st.Sites) + len(w.st.Chain) + len(w.st.Daily) + len(w.st.Waiting) + len(w.st.Peers) + len(w.st.Pumps) + len(w.st.Pumped)
	for _, g := range w.st.Groups {
		n += len(g.At)
	}
	for _, p := range w.st.People {
		n += len(p.Builds)
		for _, v := range p.Values {
			n += len(v)
		}
		n += len(p.Sessions)
	}
	for _, s := range w.st.Stations {
		n += len(s.Charts) + len(s.Acc) + len(s.Rates) + len(s.Targets) + len(s.Changed) + len(s.Safety) + len(s.Desks)
	}
	return n
}

// errNoPlace says that a build or event cannot be placed.
var errNoPlace = errors.New("watch: site and station must both be named")

// Build takes one build in. It closes the station's shift when the build
// belongs to a later one, and the chain's day when it belongs to a later day.
func (w *Watch) Build(b *Build) (Out, error) {
	if b.Site == "" || b.Station == "" {
		return Out{}, fmt.Errorf("%w: build %q has site %q, station %q", errNoPlace, b.ID, b.Site, b.Station)
	}
	var out Out
	if b.Shift.Day.After(w.st.Day) {
		if !w.st.Day.IsZero() {
			out.add(w.CloseDay())
		}
		w.st.Day = b.Shift.Day
	}
	s := w.station(b.Site, b.Station)
	w.st.Last = later(w.st.Last, b.Started)
	if s.Open && s.Shift.before(b.Shift) {
		w.closeShift(s, &out)
	}
	late := s.Closed && !s.Last.before(b.Shift)
	w.safety(s, b, late, &out)
	if late {
		w.st.Late++
		return out, nil
	}
	if b.Serving == "" {
		return out, nil // a dial-in shot: nobody drinks it
	}
	s.Open, s.Shift = true, b.Shift
	s.take(w, b, &out)
	w.keepLog(s, b)
	return out, nil
}

// Event takes an event in.
func (w *Watch) Event(e Event) (Out, error) {
	if e.Site == "" {
		return Out{}, fmt.Errorf("%w: event %q at %v has site %q, station %q", errNoPlace, e.Kind, e.At, e.Site, e.Station)
	}
	var out Out
	w.st.Last = later(w.st.Last, e.At)
	// An event of a whole site, such as a delivery of cups, names no station.
	for _, k := range slices.Sorted(maps.Keys(w.st.Stations)) {
		if s := w.st.Stations[k]; s.Site == e.Site && (e.Station == "" || e.Station == s.Name) {
			s.event(w, e, &out)
		}
	}
	if e.Station != "" && w.st.Stations[e.Site+"/"+e.Station] == nil {
		w.station(e.Site, e.Station).event(w, e, &out)
	}
	return out, nil
}

// CloseShift says that a station's shift is over. Closing it twice, or one
// that never opened, does nothing.
func (w *Watch) CloseShift(site, station string, shift Shift) Out {
	var out Out
	s := w.st.Stations[site+"/"+station]
	if s != nil && s.Open && !shift.before(s.Shift) {
		w.closeShift(s, &out)
	}
	return out
}

// CloseDay ends the chain's business day: open shifts are closed, sites, lots,
// baristas and releases compared, logs screened. Build calls it by itself at
// the first build of a later day.
func (w *Watch) CloseDay() Out {
	var out Out
	keys := slices.Sorted(maps.Keys(w.st.Stations))
	for _, k := range keys {
		if s := w.st.Stations[k]; s.Open && !s.Shift.Day.After(w.st.Day) {
			w.closeShift(s, &out)
		}
	}
	w.comparePlaces(&out)
	w.compareGroups(&out)
	w.behind(keys, &out)
	w.screenLogs(&out)
	w.prune()
	return out
}

// prune lets go of what has not been seen for long, oldest first.
func (w *Watch) prune() {
	for k, g := range w.st.Groups {
		if w.st.Last.Sub(g.Seen) > groupLives {
			delete(w.st.Groups, k)
		}
	}
	trim(w.st.Groups, mostGroups, func(g *group) time.Time { return g.Seen })
	trim(w.st.People, mostPeople, func(p *person) time.Time { return p.Seen })
}

func trim[V any](m map[string]V, most int, seen func(V) time.Time) {
	if len(m) <= most {
		return
	}
	keys := slices.SortedFunc(maps.Keys(m), func(a, b string) int {
		if c := seen(m[a]).Compare(seen(m[b])); c != 0 {
			return c
		}
		return strings.Compare(a, b)
	})
	for _, k := range keys[:len(m)-most] {
		delete(m, k)
	}
}

func (w *Watch) station(site, name string) *station {
	k := site + "/" + name
	s := w.st.Stations[k]
	if s == nil {
		s = &station{Site: site, Name: name}
		s.fill()
		w.st.Stations[k] = s
	}
	return s
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b.UTC()
	}
	return a
}

// before orders shifts.
func (s Shift) before(o Shift) bool {
	if !s.Day.Equal(o.Day) {
		return s.Day.Before(o.Day)
	}
	return s.No < o.No
}
