package watch

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// SignalKind says which detector spoke.
type SignalKind string

// The detectors.
const (
	SignalLevel    SignalKind = "level"    // a station's level moved
	SignalSpread   SignalKind = "spread"   // a station's spread within the shift grew
	SignalTrend    SignalKind = "trend"    // the drift inside the shift changed
	SignalSetting  SignalKind = "setting"  // the grinder's setting moves on and on
	SignalRate     SignalKind = "rate"     // a finding is made more often
	SignalSafety   SignalKind = "safety"   // one safety finding
	SignalSite     SignalKind = "site"     // a site moved against the others
	SignalChain    SignalKind = "chain"    // all sites moved at once
	SignalVessel   SignalKind = "vessel"   // the drinks of a site in one vessel moved
	SignalPeer     SignalKind = "peer"     // a station moved against others
	SignalPump     SignalKind = "pump"     // a pump gives less or more than others
	SignalLot      SignalKind = "lot"      // a lot differs from the one before
	SignalBarista  SignalKind = "barista"  // a barista differs from the others beside
	SignalRelease  SignalKind = "release"  // a release moved the cup
	SignalStale    SignalKind = "stale"    // a station works by an older spec
	SignalQuestion SignalKind = "question" // something to ask about a log; no accusation
	SignalPlain    SignalKind = "plain"    // the plain three-sigma chart
)

// Where is one station's share in a finding, in half-widths of the tolerance.
type Where struct {
	Site    string  `json:"site"`
	Station string  `json:"station"`
	Before  float64 `json:"before"`
	After   float64 `json:"after"`
	SD      float64 `json:"sd"` // of one subgroup mean
}

// Signal is one thing that the watch noticed. Fields that do not apply are
// empty.
type Signal struct {
	ID   string     `json:"id"`
	Kind SignalKind `json:"kind"`
	// Method in words, with what it supposes.
	Method  string `json:"method"`
	Site    string `json:"site,omitempty"`
	Station string `json:"station,omitempty"`
	Barista string `json:"barista,omitempty"`
	// Lot is the lot found to differ; CoffeeLot and MilkLot are what the
	// station used when the signal was seen.
	Lot       string `json:"lot,omitempty"`
	CoffeeLot string `json:"coffee_lot,omitempty"`
	MilkLot   string `json:"milk_lot,omitempty"`
	Release   uint64 `json:"release,omitempty"`
	Serving   string `json:"serving,omitempty"`
	Vessel    string `json:"vessel,omitempty"`
	// Measure is a code in drink.Measures; "@syrup" after it says that only
	// servings with syrup are meant, and grind_setting is the grinder's dial.
	Measure string `json:"measure,omitempty"`
	// Finding is the kind of finding and what it was about.
	Finding string `json:"finding,omitempty"`
	// Direction is +1 up, -1 down, 0 where there is none; for the rate of
	// values out of tolerance it is the side on which they lie.
	Direction int `json:"direction,omitempty"`
	// Began is when the change is estimated to have begun, Seen when it was
	// told, both by the stations' clocks.
	Began time.Time `json:"began"`
	Seen  time.Time `json:"seen"`
	// N is the readings or builds behind it, since Began.
	N int `json:"n"`
	// Before and After are levels, and SD that of one subgroup: half-widths of
	// the tolerance for measures, shares for rates.
	Before float64 `json:"before"`
	After  float64 `json:"after"`
	SD     float64 `json:"sd,omitempty"`
	// Moved is the change in the measure's base unit; 0 for shares.
	Moved float64 `json:"moved,omitempty"`
	// P is the chance of as much where nothing is wrong. For a cumulative sum
	// the beginning was chosen by looking, so P is optimistic.
	P float64 `json:"p"`
	// Sure says how sure in words; Rule marks what was found by a rule.
	Sure string `json:"sure"`
	Rule bool   `json:"rule,omitempty"`
	// RunLength is the subgroups between false alarms of this chart.
	RunLength float64 `json:"run_length,omitempty"`
	// Again says that the same chart said the same before and nothing was
	// done since.
	Again bool    `json:"again,omitempty"`
	Where []Where `json:"where,omitempty"`
	Words string  `json:"words"`
}

// Point is one subgroup of one chart: what a case needs to tell whether a fix
// worked.
type Point struct {
	Kind    SignalKind `json:"kind"`
	Site    string     `json:"site,omitempty"`
	Station string     `json:"station,omitempty"`
	Barista string     `json:"barista,omitempty"`
	// Key is the measure, or the finding of a rate.
	Key string    `json:"key"`
	At  time.Time `json:"at"`
	N   int       `json:"n"`
	// X is the value charted, Bad the count of a rate.
	X   float64 `json:"x"`
	Bad int     `json:"bad"`
}

// Out is what one step of the watch yields, in a fixed order.
type Out struct {
	Signals []Signal `json:"signals,omitempty"`
	Points  []Point  `json:"points,omitempty"`
}

func (o *Out) add(p Out) {
	o.Signals = append(o.Signals, p.Signals...)
	o.Points = append(o.Points, p.Points...)
}

// signal completes a signal with its ID and words for how sure it is.
func (o *Out) signal(s Signal) {
	about := s.Measure
	for _, t := range []string{s.Finding, s.Lot, s.Barista, s.Vessel} {
		if t != "" {
			about += "+" + t
		}
	}
	if s.Release > 0 {
		about += "+release-" + strconv.FormatUint(s.Release, 10)
	}
	// Signals of one kind and subject never fall on one instant, but safety
	// findings of two servings may.
	s.ID = strings.Join([]string{string(s.Kind), s.Site, s.Station, about, s.Serving, strconv.FormatInt(s.Seen.UnixMilli(), 36)}, "/")
	if s.Sure == "" {
		s.Sure = sure(s.P)
	}
	o.Signals = append(o.Signals, s)
}

// sure puts a p-value into words.
func sure(p float64) string {
	switch {
	case p < 1e-4:
		return "very sure"
	case p < 0.01:
		return "fairly sure"
	case p < 0.05:
		return "likely, may be chance"
	}
	return "may be chance"
}

func placeName(site, station string) string {
	if station == "" {
		return site
	}
	return site + "/" + station
}

func upDown(dir int) string {
	if dir < 0 {
		return "down"
	}
	return "up"
}

func moved(v float64, unit string) string {
	return fmt.Sprintf("%+.3g %s", v, unit)
}
