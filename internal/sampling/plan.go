package sampling

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
)

// Want says which builds a window takes.
type Want string

// The kinds of build.
const (
	// Shots: builds with espresso in them.
	Shots Want = "shot"
	// Milk: builds with steamed milk.
	Milk Want = "milk"
	// Glass: milk builds that can be made in clear glass, for froth depth.
	Glass Want = "glass"
	// AnyBuild at all.
	AnyBuild Want = "any"
)

// Anchor is what a window's minutes count from.
type Anchor string

// The anchors.
const (
	FromStart Anchor = "start"
	FromLunch Anchor = "lunch"
)

// Window is a time in a shift in which builds are measured at hidden times.
type Window struct {
	// ID is a lower snake word, unique in the plan.
	ID     string `json:"id"`
	Anchor Anchor `json:"anchor"`
	// FromMin and ToMin are minutes after the anchor. Parts splits them evenly;
	// each part gets Prompts times, drawn evenly within it.
	FromMin int `json:"from_min"`
	ToMin   int `json:"to_min"`
	Parts   int `json:"parts"`
	Prompts int `json:"prompts"`
	// Builds is how many running a prompt asks for.
	Builds int  `json:"builds"`
	Want   Want `json:"want"`
	// Checks are codes in drink.Measures; "taste", alone, asks for a tasting.
	Checks []string `json:"checks"`
	// SecondsEach is the labour of one build measured.
	SecondsEach int `json:"seconds_each"`
	// EveryBarista and PlantMilk steer the window's prompts so that each barista
	// who makes such builds, and a plant milk if one is sold, is met.
	EveryBarista bool `json:"every_barista,omitempty"`
	PlantMilk    bool `json:"plant_milk,omitempty"`
	// MayTighten lets each part have one prompt more; MayRelax lets every
	// second part go.
	MayTighten bool `json:"may_tighten,omitempty"`
	MayRelax   bool `json:"may_relax,omitempty"`
}

// Plan is what a station measures in a shift.
type Plan struct {
	// ID names the plan and its revision; another ID draws other times.
	ID      string   `json:"id"`
	Windows []Window `json:"windows"`
	// ExpireMin is how long a prompt waits for a build to begin, GraceMin how
	// long a build that was taken may then last.
	ExpireMin int `json:"expire_min"`
	GraceMin  int `json:"grace_min"`
	// DialInMin is the labour of the opening routine, for the statement alone.
	DialInMin int `json:"dial_in_min"`
	// MostMin bounds the labour of the checks in a shift; tightening stops there.
	MostMin int        `json:"most_min"`
	Adapt   Adaptation `json:"adapt"`
}

// DefaultPlan is for a shift of eight hours with about 250 drinks and two
// baristas. Every number is invented, from common practice.
func DefaultPlan() Plan {
	shot := []string{"dose", "yield", "shot_time"}
	return Plan{
		ID: "default-1", ExpireMin: 10, GraceMin: 5, DialInMin: 8, MostMin: 12, Adapt: DefaultAdaptation(),
		Windows: []Window{
			{ID: "open", Anchor: FromStart, FromMin: 0, ToMin: 20, Parts: 1, Prompts: 1, Builds: 3, Want: Shots, Checks: shot, SecondsEach: 13},
			{ID: "mid", Anchor: FromStart, FromMin: 30, ToMin: 480, Parts: 5, Prompts: 1, Builds: 2, Want: Shots, Checks: shot, SecondsEach: 13, MayTighten: true, MayRelax: true},
			{ID: "after_lunch", Anchor: FromLunch, FromMin: 0, ToMin: 30, Parts: 1, Prompts: 1, Builds: 3, Want: Shots, Checks: shot, SecondsEach: 13},
			{ID: "milk", Anchor: FromStart, FromMin: 20, ToMin: 460, Parts: 4, Prompts: 1, Builds: 1, Want: Milk, Checks: []string{"milk_temp", "cup_mass"}, SecondsEach: 15, EveryBarista: true, PlantMilk: true, MayTighten: true, MayRelax: true},
			{ID: "froth", Anchor: FromStart, FromMin: 60, ToMin: 420, Parts: 1, Prompts: 1, Builds: 1, Want: Glass, Checks: []string{"froth_depth"}, SecondsEach: 40},
			{ID: "taste", Anchor: FromStart, FromMin: 30, ToMin: 450, Parts: 1, Prompts: 1, Builds: 1, Want: AnyBuild, Checks: []string{Taste}, SecondsEach: 60},
		},
	}
}

// Bounds on a plan, so that one from outside cannot fill a station's memory.
const (
	maxWindows = 32
	maxParts   = 48
	maxPrompts = 12
	maxBuilds  = 20
	maxPlan    = 64 << 10
)

// ParsePlan reads a plan's JSON form and checks it.
func ParsePlan(b []byte) (Plan, error) {
	var p Plan
	if len(b) > maxPlan {
		return Plan{}, fmt.Errorf("sampling plan: %d bytes, allowed: %d; shorten it", len(b), maxPlan)
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&p); err != nil {
		return Plan{}, fmt.Errorf("reading a sampling plan: %w", err)
	}
	if dec.More() {
		return Plan{}, fmt.Errorf("sampling plan: something stands after it; send one plan")
	}
	return p, p.Check()
}

// Check refuses a plan that cannot be followed, naming the field.
func (p *Plan) Check() error {
	bad := func(field string, v any, allowed string) error {
		return fmt.Errorf("sampling plan %q: %s is %v, allowed: %s", p.ID, field, v, allowed)
	}
	if !isWord(p.ID) {
		return bad("id", fmt.Sprintf("%q", p.ID), "1 to 64 of a to z, 0 to 9, - and _")
	}
	if n := len(p.Windows); n < 1 || n > maxWindows {
		return bad("windows", n, fmt.Sprintf("1 to %d", maxWindows))
	}
	for _, f := range [...]struct {
		name        string
		v, min, max int
	}{
		{"expire_min", p.ExpireMin, 1, 120}, {"grace_min", p.GraceMin, 0, 60}, {"dial_in_min", p.DialInMin, 0, 120}, {"most_min", p.MostMin, 1, 480},
	} {
		if f.v < f.min || f.v > f.max {
			return bad(f.name, f.v, fmt.Sprintf("%d to %d minutes", f.min, f.max))
		}
	}
	if err := p.Adapt.check(); err != nil {
		return fmt.Errorf("sampling plan %q: %w", p.ID, err)
	}
	seen := map[string]bool{}
	for i := range p.Windows {
		w := &p.Windows[i]
		if !isWord(w.ID) || seen[w.ID] {
			return bad(fmt.Sprintf("windows[%d].id", i), fmt.Sprintf("%q", w.ID), "a word not used before")
		}
		seen[w.ID] = true
		if field, v, allowed := w.fault(); field != "" {
			return bad(fmt.Sprintf("windows[%s].%s", w.ID, field), v, allowed)
		}
	}
	if l := p.Labour(Normal); l > time.Duration(p.MostMin)*time.Minute {
		return bad("labour of the windows", l, fmt.Sprintf("most_min, %d minutes: ask for less or allow more", p.MostMin))
	}
	return nil
}

func (w *Window) fault() (field string, v any, allowed string) {
	switch {
	case w.Anchor != FromStart && w.Anchor != FromLunch:
		return "anchor", fmt.Sprintf("%q", w.Anchor), "start, lunch"
	case w.FromMin < 0 || w.FromMin > 24*60:
		return "from_min", w.FromMin, "0 to 1440"
	case w.Parts < 1 || w.Parts > maxParts:
		return "parts", w.Parts, fmt.Sprintf("1 to %d", maxParts)
	case w.ToMin-w.FromMin < w.Parts || w.ToMin > 24*60:
		return "to_min", w.ToMin, "after from_min, a minute or more a part, to 1440"
	case w.Prompts < 1 || w.Prompts > maxPrompts:
		return "prompts", w.Prompts, fmt.Sprintf("1 to %d a part", maxPrompts)
	case w.Builds < 1 || w.Builds > maxBuilds:
		return "builds", w.Builds, fmt.Sprintf("1 to %d", maxBuilds)
	case w.SecondsEach < 0 || w.SecondsEach > 3600:
		return "seconds_each", w.SecondsEach, "0 to 3600"
	case w.Want != Shots && w.Want != Milk && w.Want != Glass && w.Want != AnyBuild:
		return "want", fmt.Sprintf("%q", w.Want), "shot, milk, glass, any"
	case len(w.Checks) < 1 || len(w.Checks) > maxWindows:
		return "checks", len(w.Checks), fmt.Sprintf("1 to %d", maxWindows)
	}
	for i, c := range w.Checks {
		if c != Taste && drink.MeasureByCode(c) == nil {
			return fmt.Sprintf("checks[%d]", i), fmt.Sprintf("%q", c), "a measure's code, or taste"
		}
	}
	if w.taste() && len(w.Checks) > 1 {
		return "checks", strings.Join(w.Checks, ", "), "taste alone: give the measures a window of their own"
	}
	return "", nil, ""
}

// taste is true for a window that asks for a tasting.
func (w *Window) taste() bool { return slices.Contains(w.Checks, Taste) }

// takes is true for a build of the kind that the window is about, with something
// on it that the window checks.
func (w *Window) takes(b *Started) bool {
	kind := true
	switch w.Want {
	case Shots:
		kind = b.Shots > 0
	case Milk:
		kind = b.Steamed
	case Glass:
		kind = b.Steamed && b.Glass
	}
	return kind && (w.taste() || b.Checks == nil || slices.ContainsFunc(b.Checks, func(c string) bool { return slices.Contains(w.Checks, c) }))
}

// parts lists the parts kept at a level: relaxing keeps every second one,
// beginning with the first.
func (w *Window) parts(l Level) []int {
	step := 1
	if l == Relaxed && w.MayRelax {
		step = 2
	}
	var out []int
	for i := 0; i < w.Parts; i += step {
		out = append(out, i)
	}
	return out
}

// labour of one prompt.
func (w *Window) labour() time.Duration {
	return time.Duration(w.Builds*w.SecondsEach) * time.Second
}

// Labour is what the checks of one shift take at a level, without the dial-in;
// never above MostMin when tightened.
func (p *Plan) Labour(l Level) time.Duration {
	var sum time.Duration
	for i := range p.Windows {
		w := &p.Windows[i]
		sum += time.Duration(len(w.parts(l))*w.Prompts) * w.labour()
	}
	if l == Tightened {
		for _, e := range p.extras(sum) {
			sum += p.Windows[e.window].labour()
		}
	}
	return sum
}

type extra struct{ window, part int }

// extras lists the prompts that tightening adds, as far as labour allows: the
// first part of each window, then the second, and so on.
func (p *Plan) extras(base time.Duration) []extra {
	var out []extra
	left := time.Duration(p.MostMin)*time.Minute - base
	for part := range maxParts {
		for i := range p.Windows {
			w := &p.Windows[i]
			if w.MayTighten && part < w.Parts && w.labour() <= left {
				left -= w.labour()
				out = append(out, extra{i, part})
			}
		}
	}
	return out
}

// Moments counts the separate times at which a shift measures builds that want
// is about, at a level. Builds measured running share their moment: they say
// little more about a fault that comes and goes than one does.
func (p *Plan) Moments(want Want, l Level) int {
	n := 0
	for i := range p.Windows {
		if w := &p.Windows[i]; w.Want == want && !w.taste() {
			n += len(w.parts(l)) * w.Prompts
		}
	}
	if l == Tightened {
		for _, e := range p.extras(p.Labour(Normal)) {
			if w := &p.Windows[e.window]; w.Want == want && !w.taste() {
				n++
			}
		}
	}
	return n
}

// Sight is what the checks of one kind see in a shift.
type Sight struct {
	Want Want
	// Moments are the separate times at which such builds are measured.
	Moments int
	// Chance, 0 to 1, of meeting a fault at one of them, and the moments that would
	// meet it with 90 %.
	Chance float64
	Needed int
}

// Sights tell what the plan can see of a fault that strikes the share fault (0 to 1,
// ends out) of drinks. Five moments a shift see a fault in one drink of ten with
// 1 - 0.9^5 = 41 %. A kind that is not measured has none.
func (p *Plan) Sights(l Level, fault float64) ([]Sight, error) {
	const surely = 0.9
	var out []Sight
	for _, want := range []Want{Shots, Milk} {
		n := p.Moments(want, l)
		if n == 0 {
			continue
		}
		chance, err := stat.PowerToSee(n, fault)
		if err != nil {
			return nil, fmt.Errorf("stating the power of plan %s: %w", p.ID, err)
		}
		needed, err := stat.ChecksToSee(fault, surely)
		if err != nil {
			return nil, fmt.Errorf("stating the power of plan %s: %w", p.ID, err)
		}
		out = append(out, Sight{want, n, chance, needed})
	}
	return out, nil
}

// isWord is true for 1 to 64 of a to z, 0 to 9, "-" and "_".
func isWord(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	for _, r := range s {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' && r != '_' {
			return false
		}
	}
	return true
}
