package tablet

import (
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/station/bar"
)

// buildBody is the open build: the card, and what is entered so far.
type buildBody struct {
	*bar.Open
	Name, Rest string
	// Cup is the cross-section to scale; empty where it cannot be drawn.
	Cup    template.HTML
	Vessel string
	// Coffee says how many shots from how many pulls.
	Coffee string
	Steps  []stepView
	// Asked are the readings that this build needs, Others may be given.
	Asked, Others []fieldView
	Timer         timerView
	Allergens     allergenView
	// Cautions of the drink and house, then the usual ones.
	Cautions, Usual []string
	// Missing counts what is asked for and not there.
	Missing int
	// Vessels, Milks, Garnish and Shots are what may have been used instead.
	Vessels, Milks, Garnish, Shots []choice
	// Different is true when something else was used.
	Different bool
	// Skips are the reasons for not measuring.
	Skips, Abandons []string
}

type choice struct {
	ID, Name string
	Chosen   bool
}

// stepView is one line of the build order.
type stepView struct {
	ID, Text string
	// Own is true for text of the book, which stays in the book's language.
	Own bool
	No  int
	// Done or LeftOut as somebody tapped; neither is logged as done.
	Done, LeftOut    bool
	Optional, Safety bool
	At               time.Duration
	// Cues stand beside it: tolerances, aeration, pour height.
	Cues []string
	// After says where the order is not simply the line above.
	After string
}

// timerView is the shot timer at the page.
type timerView struct {
	// Has is true where the drink times its shots.
	Has     bool
	Running bool
	Since   time.Time
	// Pull is the one that runs or comes next, of Pulls; Done when none is left.
	Pull, Pulls int
	Done        bool
	Start       string
	Last        *bar.Value
	Range       string
}

// allergenView is what may be said; never that a drink is safe for somebody.
type allergenView struct {
	Contains, May []string
	Unknown       []string
	NoMilk        bool
}

func (s *Server) openBuild(r *http.Request, v *view) error {
	if v.State.Open == nil {
		return elsewhere("/")
	}
	return elsewhere("/build/" + v.State.Open.ID)
}

func (s *Server) buildPage(r *http.Request, v *view) error {
	o := v.State.Open
	if o == nil || o.ID != r.PathValue("build") || o.Serving == nil || o.Book == nil {
		return elsewhere("/")
	}
	b := buildBody{Open: o}
	b.Name, b.Rest = titleOf(o.Book, o.Serving)
	b.Cup = v.cup(o.Book, o.Serving)
	b.Vessel = nameOfVessel(o.Book, o.Serving.Vessel)
	b.Coffee = v.coffee(o.Book, o.Serving)
	b.Steps = v.steps(o)
	for _, f := range v.fields(o) {
		if f.Asked {
			b.Asked = append(b.Asked, f)
			if f.Value == nil {
				b.Missing++
			}
		} else {
			b.Others = append(b.Others, f)
		}
	}
	b.Timer = v.timerOf(o)
	b.Allergens = v.allergens(o.Book, o.Serving)
	b.Cautions = slices.Concat(o.Serving.Cautions, o.Book.House.Cautions)
	b.Usual = drink.UsualCautions
	b.differences()
	b.Skips = []string{"rush", "instrument", "gone"}
	b.Abandons = []string{"wrong", "spoilt", "left"}
	v.Page, v.Title, v.Body = "build", b.Name+", "+b.Rest, &b
	return nil
}

// titleOf is a serving as a person says it.
func titleOf(b *drink.Book, s *drink.Serving) (name, rest string) {
	rest = strings.ReplaceAll(s.Size, "-", " ")
	if s.Milk != "" {
		rest += ", " + nameOf(b, s.Milk)
	}
	return s.DrinkName, rest
}

func nameOf(b *drink.Book, ingredient string) string {
	if in, ok := b.IngredientByID(ingredient); ok {
		return in.Name
	}
	return ingredient
}

func nameOfVessel(b *drink.Book, id string) string {
	if v, ok := b.VesselByID(id); ok {
		return v.Name
	}
	return id
}

func (v *view) coffee(b *drink.Book, s *drink.Serving) string {
	if s.Shots == 0 {
		return ""
	}
	out := v.N("card.shots", s.Shots) + ", " + v.N("card.pulls", b.Pulls(s), v.Q(b.House.Pull.Basket, drink.Gram))
	if left := b.Pulls(s)*b.House.Pull.SinglesPerPull - s.Shots; left > 0 {
		out += "; " + v.N("card.left", left)
	}
	return out
}

func (v *view) timerOf(o *bar.Open) timerView {
	t := timerView{Start: o.Book.House.Pull.StartEvent}
	i := slices.IndexFunc(o.Serving.Checks, func(k drink.Check) bool { return k.Measure == "shot_time" })
	if i < 0 {
		return t
	}
	k := &o.Serving.Checks[i]
	t.Has, t.Pulls, t.Range = true, max(1, k.Occurrences), v.Range(k.Low, k.High, drink.Second)
	for n := 1; n <= t.Pulls; n++ {
		got := valueOf(o, k.ID, n)
		if got == nil {
			t.Pull = n
			break
		}
		t.Last = got
	}
	if !o.Timer.IsZero() {
		t.Running, t.Since, t.Pull = true, o.Timer, max(1, o.Pull)
	}
	t.Done = t.Pull == 0
	return t
}

func valueOf(o *bar.Open, check string, occurrence int) *bar.Value {
	for i := range o.Readings {
		if r := &o.Readings[i]; r.Check == check && r.Occurrence == occurrence {
			return r
		}
	}
	return nil
}

func (v *view) allergens(b *drink.Book, s *drink.Serving) allergenView {
	a := b.Allergens(s)
	name := func(codes []string) []string {
		var out []string
		for _, c := range codes {
			out = append(out, v.T("allergen."+c))
		}
		return out
	}
	return allergenView{name(a.Contains), name(a.MayContain), a.Unknown, len(a.Unknown) == 0 && !slices.Contains(a.Contains, "milk")}
}

// differences are what a person may say was used in place of the card's.
func (b *buildBody) differences() {
	book, s := b.Book, b.Serving
	for i := range book.Vessels {
		ve := &book.Vessels[i]
		b.Vessels = append(b.Vessels, choice{ve.ID, ve.Name, ve.ID == inPlace(b.Used.Vessel, s.Vessel)})
	}
	if s.Milk != "" {
		for i := range book.Ingredients {
			if in := &book.Ingredients[i]; in.Kind == "milk" || in.Kind == "plant_milk" {
				b.Milks = append(b.Milks, choice{in.ID, in.Name, in.ID == inPlace(b.Used.Milk, s.Milk)})
			}
		}
	}
	for _, g := range s.Garnish {
		b.Garnish = append(b.Garnish, choice{g, nameOf(book, g), slices.Contains(b.Used.Without, g)})
	}
	if s.Shots > 0 {
		now := b.Used.Shots
		if now == 0 {
			now = s.Shots
		}
		for n := 1; n <= max(6, s.Shots, now); n++ {
			b.Shots = append(b.Shots, choice{strconv.Itoa(n), strconv.Itoa(n), n == now})
		}
	}
	b.Different = b.Used.Vessel != "" || b.Used.Milk != "" || b.Used.Shots != 0 || len(b.Used.Without) > 0
}

func inPlace(instead, card string) string {
	if instead != "" {
		return instead
	}
	return card
}

// stepsOf says beside which acts a measure stands; the first that the drink has
// takes it. The same as on the printed card.
var stepsOf = map[string][]string{
	"dose": {"dose", "pull"}, "yield": {"pull"}, "shot_time": {"pull"}, "brew_temp": {"pull"}, "tds": {"pull"},
	"water_volume": {"add_water"}, "water_temp": {"add_water"},
	"milk_volume": {"add_milk", "steam"}, "milk_temp": {"steam"},
	"froth_depth": {"pour", "strain", "steam"}, "froth_above_rim": {"pour"}, "pour_height": {"pour", "strain"},
	"syrup_pumps": {"add"}, "powder": {"add"}, "ice": {"add_ice"},
	"scoop": {"scoop"}, "scoops": {"scoop"}, "steep_time": {"steep"}, "garnish": {"garnish"},
}

func (v *view) steps(o *bar.Open) []stepView {
	s := o.Serving
	out := make([]stepView, len(s.Steps))
	no := map[string]int{}
	for i := range s.Steps {
		st := &s.Steps[i]
		no[st.ID] = i + 1
		out[i] = stepView{ID: st.ID, No: i + 1, Optional: st.Optional, Safety: st.Criticality == drink.Safety}
		out[i].Text, out[i].Own = v.stepText(o.Book, st)
		if j := slices.IndexFunc(o.Steps, func(l drink.StepLog) bool { return l.Step == st.ID }); j >= 0 {
			out[i].Done, out[i].At = true, o.Steps[j].At
		}
		out[i].LeftOut = slices.Contains(o.NotDone, st.ID)
		if st.Act == "steam" && s.Air > 0 {
			out[i].Cues = append(out[i].Cues, v.T("cue.air", v.Num(s.Air*100)))
		}
	}
	for i := range s.Steps {
		after := s.Steps[i].After
		switch {
		case i == 0 || len(after) == 1 && after[0] == s.Steps[i-1].ID:
		case len(after) == 0:
			out[i].After = v.T("step.any_time")
		default:
			var lines []string
			for _, a := range after {
				if no[a] > 0 {
					lines = append(lines, v.arg(no[a]))
				}
			}
			out[i].After = v.T("step.after", strings.Join(lines, ", "))
		}
	}
	for i := range s.Checks {
		k := &s.Checks[i]
		if at := stepFor(o.Book, s, k); at >= 0 {
			out[at].Cues = append(out[at].Cues, v.cue(k))
		}
	}
	return out
}

func stepFor(b *drink.Book, s *drink.Serving, k *drink.Check) int {
	for _, act := range stepsOf[k.Measure] {
		for j := range s.Steps {
			if s.Steps[j].Act == act && suits(b, k, &s.Steps[j]) {
				return j
			}
		}
	}
	return -1
}

// suits keeps pumps beside what is pumped and powder beside the powder.
func suits(b *drink.Book, k *drink.Check, st *drink.Step) bool {
	in, ok := b.IngredientByID(st.Ingredient)
	if !ok || k.Measure != "syrup_pumps" && k.Measure != "powder" {
		return true
	}
	return (k.Measure == "syrup_pumps") == (in.PumpVolume > 0)
}

// cue is a tolerance as it stands beside a step.
func (v *view) cue(k *drink.Check) string {
	m := drink.MeasureByCode(k.Measure)
	if m == nil {
		return k.ID
	}
	if k.Measure == "pour_height" {
		return v.T("cue.pour", v.Q(k.Target, m.Unit), v.Range(k.Low, k.High, m.Unit))
	}
	out := v.T("cue.check", v.checkName(k), v.Q(k.Target, m.Unit), v.Range(k.Low, k.High, m.Unit))
	if k.HasHardHigh() {
		out += "; " + v.T("cue.never", v.Q(k.HardHigh, m.Unit))
	}
	return out
}

func (v *view) checkName(k *drink.Check) string {
	if k.ID != k.Measure {
		return strings.ReplaceAll(k.ID, "_", " ")
	}
	return v.Measure(k.Measure)
}

// stepText is the line of a step; own says that it is the book's.
func (v *view) stepText(b *drink.Book, st *drink.Step) (text string, own bool) {
	if st.Text != "" {
		return st.Text, true
	}
	text = st.Act
	if v.Has("act." + st.Act) {
		text = v.T("act." + st.Act)
	}
	if st.Ingredient != "" {
		text += ": " + nameOf(b, st.Ingredient)
	}
	return text, false
}
