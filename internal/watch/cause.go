package watch

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Cause is a likely common cause of several signals.
type Cause string

// The causes that cases are grouped by.
const (
	CauseGrinder   Cause = "grinder"      // burrs, or the grind drifting, at one station
	CauseCoffeeLot Cause = "coffee_lot"   // a coffee lot, or the wrong one in the hopper
	CauseMilkLot   Cause = "milk_lot"     // a milk lot
	CauseRelease   Cause = "release"      // the spec itself moved the cup
	CauseBarista   Cause = "technique"    // one person's way, whatever let it be so
	CauseAir       Cause = "air"          // too much or too little air at one station
	CauseChain     Cause = "chain"        // all sites at once
	CauseCups      Cause = "cups"         // a delivery of other cups
	CauseProbe     Cause = "probe"        // a thermometer
	CauseScale     Cause = "scale"        // a scale
	CausePump      Cause = "pump"         // a syrup pump
	CauseMachine   Cause = "machine"      // temperature, pressure or steam of one machine
	CauseStale     Cause = "stale_spec"   // an older spec is followed
	CauseOverlay   Cause = "overlay"      // the site's own allergen rules are missing
	CauseSlip      Cause = "slip"         // one step or garnish, once or now and then
	CauseLog       Cause = "log_question" // something to ask about a log
)

// Suspect is a cause with its weight among the suspects of a case, which sum
// to 1. Weights are rules of common practice, no source; they order checks and
// are no probabilities.
type Suspect struct {
	Cause  Cause   `json:"cause"`
	Weight float64 `json:"weight"`
	Why    string  `json:"why"`
	Check  string  `json:"check"`
}

// causeWords give each cause a check, an owner and a first measure to contain it.
var causeWords = map[Cause]struct{ check, owner, contain string }{
	CauseGrinder:   {"pull three shots at one setting, weigh dose and time; look at the burrs' age and at the dial's history", "store manager", "set the grinder by a timed shot each hour"},
	CauseCoffeeLot: {"read the lot in the hopper against the delivery note; pull the same recipe with the lot before", "quality lead", "dial in again for the lot, or set it aside"},
	CauseMilkLot:   {"steam the lot and the one before side by side, weigh and measure the froth", "quality lead", "set the lot aside where another is in stock"},
	CauseRelease:   {"read the release's changes; make the drink by the card and measure it", "beverage developer", "hold the release where it is not out yet"},
	CauseBarista:   {"watch three builds beside the card; look at the jug, its marks and the light", "shift lead", "work in a pair on the drinks concerned"},
	CauseAir:       {"weigh the cup at the right level: mass short means too much air; watch the stretch and the steam pressure", "shift lead", "weigh each fourth cup"},
	CauseChain:     {"ask what all sites share: release, lot, supplier, season, and how the measure is taken", "quality lead", "none until the cause is known"},
	CauseCups:      {"weigh a brim-full cup of the new delivery (five cups) and lay it beside the old", "store manager", "set the delivery aside and use the old cups"},
	CauseProbe:     {"probe in ice slurry, 0 ± 1 °C, and beside another probe in hot milk", "shift lead", "use another probe"},
	CauseScale:     {"put the 20 g and the 100 g mass on the scale", "shift lead", "use another scale"},
	CausePump:      {"weigh ten strokes into a tared cup and divide", "store manager", "measure syrup by weight"},
	CauseMachine:   {"read set points, pressure and steam tip; look at the service log", "store manager", "move the drinks to the other station"},
	CauseStale:     {"compare the release on the station's screen with the authority's; reload; look when it was last online", "store manager", "take the station's screen out of use until it shows the release in force"},
	CauseOverlay:   {"compare the site's overlay with what the station shows; look who withdrew or never published it", "food safety lead", "stop selling the drink at the site until the overlay is there"},
	CauseSlip:      {"look at the build and ask what was at hand: jugs, labels, order of tickets", "shift lead", "make the drink again; tell the guest where it was served"},
	CauseLog:       {"ask the person, with the question as it stands; look at how long a log takes and when it is filled", "quality lead", "none: it is a question"},
}

// domain groups measures that share causes, so that one fault makes one case.
func domain(measure string) string {
	m := bare(measure)
	switch {
	case m != measure || m == "syrup_pumps" || m == "powder":
		return "syrup"
	case coffee[m]:
		return "coffee"
	case milky[m]:
		return "milk"
	case m == "":
		return "steps"
	}
	return m
}

// suspects weighs the causes of a case from what its signals say together.
func suspects(c *Case) []Suspect {
	weight := map[Cause]float64{}
	why := map[Cause]string{}
	add := func(cause Cause, w float64, reason string) {
		weight[cause] += w
		if why[cause] == "" {
			why[cause] = reason
		}
	}
	has := func(k SignalKind) bool { return c.Kinds[k] > 0 }
	dir := func(m string) int { return c.Directions[m] }
	stations, sites := len(c.Stations), len(c.Sites)
	switch {
	case has(SignalQuestion):
		add(CauseLog, 1, "two independent screens of one log stand out")
	case has(SignalStale):
		add(CauseStale, 6, "builds name an older release, or are made to its targets")
		add(CauseRelease, 1, "the change itself may not be what was meant")
	case has(SignalSafety):
		switch {
		case c.Repeats >= 2:
			add(CauseOverlay, 4, "the same allergen finding comes again at one site and release")
			add(CauseSlip, 1, "the same slip twice")
		case c.Allergen:
			add(CauseSlip, 3, "one build so far")
			add(CauseOverlay, 2, "a rule of the site may be missing from the card")
		default:
			add(CauseBarista, 2, "a value beyond a safety limit")
			add(CauseProbe, 1, "the probe may read high")
			add(CauseMachine, 1, "the machine may run hot")
		}
	case has(SignalLot):
		cause := CauseMilkLot
		if c.Domain == "coffee" {
			cause = CauseCoffeeLot
		}
		add(cause, 5, "the lot differs from those before at the stations that used it")
		if sites == 1 {
			add(CauseCups, 1, "only one site has it")
		}
	case has(SignalBarista):
		add(CauseBarista, 5, "drinks by one person differ from those made beside them")
		add(CauseScale, 1, "the person may always use the same scale or jug")
	case has(SignalRelease):
		add(CauseRelease, 5, "stations moved when they took the release")
	case has(SignalChain) && (sites != 1 || !has(SignalSite)):
		add(CauseChain, 4, "all sites moved together")
		add(CauseRelease, 2, "a release is what all sites share")
		add(CauseCoffeeLot, 1, "a lot may have reached all sites")
	}
	if len(weight) == 0 {
		placeSuspects(c, stations, dir, has, add)
	}
	sum := 0.0
	for _, k := range sortedKeys(weight) {
		sum += weight[k]
	}
	var out []Suspect
	for _, k := range sortedKeys(weight) {
		out = append(out, Suspect{Cause: k, Weight: weight[k] / sum, Why: why[k], Check: causeWords[k].check})
	}
	slices.SortStableFunc(out, func(a, b Suspect) int { return cmp.Compare(b.Weight, a.Weight) })
	return out
}

// placeSuspects weighs the causes of what was seen at a station or a site.
func placeSuspects(c *Case, stations int, dir func(string) int, has func(SignalKind) bool, add func(Cause, float64, string)) {
	wide := has(SignalSite) || stations > 1
	switch c.Domain {
	case "coffee":
		sudden := c.sudden("shot_time")
		switch {
		case sudden:
			add(CauseCoffeeLot, 5, "shots moved far from one shift to the next: another coffee may be in the hopper")
			add(CauseGrinder, 3, "or the grinder was set or its burrs were changed")
		case has(SignalPeer):
			add(CauseGrinder, 6, "two stations on one lot drift apart, so it is not the lot")
		case c.Kinds[SignalSetting] > 0 || c.Kinds[SignalSpread] > 0 || c.Kinds[SignalTrend] > 0:
			add(CauseGrinder, 5, "the setting, the spread or the drift within the shift moved, as with worn burrs")
		case dir("dose") != 0 && dir("shot_time") == 0:
			add(CauseScale, 3, "the dose moved and the time did not")
			add(CauseGrinder, 1, "the grinder's portion may have moved")
		case dir("dose") != 0 && dir("yield") != 0:
			add(CauseScale, 3, "dose and yield moved together: both are weighed")
		default:
			add(CauseGrinder, 3, "shots moved at one station")
		}
		add(CauseCoffeeLot, pick(wide, 3.0, 1.0), pick(wide, "more than one station of the site moved", "a lot moves shots too"))
		add(CauseMachine, 1, "water temperature and pressure move shots")
	case "milk":
		mass, depth, level, temp := dir("cup_mass"), dir("froth_depth"), dir("froth_above_rim"), dir("milk_temp")
		switch {
		case has(SignalVessel) && mass < 0 && len(c.Sites) == 1:
			add(CauseCups, 6, "drinks in one vessel moved at one site")
			add(CauseAir, 2, "mass short with the level right: too much air")
			add(CauseScale, 1, "a scale moves mass alone")
		case temp != 0 && mass == 0 && depth == 0:
			add(CauseProbe, 4, "the temperature moved and nothing else did")
			add(CauseBarista, 1, "milk may truly be stopped sooner or later")
			add(CauseMachine, 1, "the steam may have changed")
		case mass != 0 && depth == mass:
			add(CauseCups, pick(wide, 5.0, 2.0), "mass and froth moved the same way: the vessel changed")
			add(CauseScale, 1, "a scale moves mass alone")
		case mass < 0 && depth >= 0, depth > 0:
			add(CauseAir, pick(wide, 2.0, 3.0), "mass short with the level right: too much air")
			add(CauseMilkLot, pick(wide, 3.0, 1.0), "a milk lot foams alike at all stations")
			add(CauseCups, pick(wide, 3.0, 1.0), "a smaller cup holds less")
			add(CauseScale, 1, "the scale may read low")
		case mass > 0 && depth <= 0, depth < 0:
			add(CauseAir, 2, "too little air: mass up or froth thin")
			add(CauseMilkLot, pick(wide, 3.0, 2.0), "a milk lot that foams poorly")
			add(CauseCups, pick(wide, 4.0, 1.0), "a wider cup has thinner froth")
			add(CauseMachine, 1, "weak steam makes little foam")
		default:
			add(CauseAir, 1, "milk work changed")
		}
		if level != 0 {
			add(CauseCups, 1, "the level against the rim moved")
		}
	case "syrup":
		add(CausePump, 4, "only servings with syrup moved")
		add(CauseSlip, 1, "pumps may be miscounted")
	case "steps":
		add(CauseSlip, 3, "a step or garnish is left out more often")
		add(CauseStale, 1, "the card may be of another release")
	default:
		add(CauseMachine, 2, "one measure moved at one place")
		add(CauseProbe, 1, "the instrument may have moved")
	}
}

// A level that moves within a day by so many standard deviations of a subgroup,
// and by so much of the tolerance's half-width, did not move by wear, which takes
// weeks. Our own choice.
const (
	suddenShift = 3.0
	suddenSize  = 0.6
)

// sudden says that a measure moved far within a day.
func (c *Case) sudden(measure string) bool {
	for i := range c.Evidence {
		s := &c.Evidence[i]
		if s.Measure == measure && (s.Kind == SignalLevel || s.Kind == SignalPeer) && s.SD > 0 && !s.Again &&
			math.Abs(s.After-s.Before) >= max(suddenShift*s.SD, suddenSize) && s.Seen.Sub(s.Began) <= 24*time.Hour {
			return true
		}
	}
	return false
}

func pick[T any](yes bool, a, b T) T {
	if yes {
		return a
	}
	return b
}
