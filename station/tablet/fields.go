package tablet

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/station/bar"
)

// fieldView is one reading that can be entered.
type fieldView struct {
	Check      string
	Occurrence int
	// ID in the page.
	ID, Name, Unit string
	Symbol         string
	Target, Range  string
	// Asked is true where this build needs it.
	Asked bool
	Value *bar.Value
	// Shown is the value there, or the target that the stepper starts from;
	// Step what a tap adds.
	Shown, Step string
	// Judged says what is wrong with the value, Do what to do about it.
	Judged, Do string
	Safety     bool
	// How it came; Ours is false where those are an instrument's words.
	How  string
	Ours bool
	// Plain is the value as the keypad starts with it.
	Plain string
}

// fields lists what can be read on the open build, in the order of the checks.
func (v *view) fields(o *bar.Open) []fieldView {
	var out []fieldView
	for i := range o.Serving.Checks {
		k := &o.Serving.Checks[i]
		for n := 1; n <= max(1, k.Occurrences); n++ {
			if f, ok := v.field(o, k, n); ok {
				out = append(out, f)
			}
		}
	}
	return out
}

func (v *view) field(o *bar.Open, k *drink.Check, n int) (fieldView, bool) {
	m := drink.MeasureByCode(k.Measure)
	if m == nil {
		return fieldView{}, false
	}
	f := fieldView{
		Check: k.ID, Occurrence: n, ID: "f-" + k.ID + "-" + strconv.Itoa(n), Name: v.checkName(k), Unit: string(m.Unit),
		Symbol: m.Unit.Symbol(), Target: v.Q(k.Target, m.Unit), Range: v.Range(k.Low, k.High, m.Unit),
		Asked: asked(o, k), Value: valueOf(o, k.ID, n), Step: v.Q(stepOf(k), m.Unit),
		Safety: k.Criticality == drink.Safety || k.HasHardHigh(),
	}
	if k.Occurrences > 1 {
		key := "field.number"
		if m.PerPull {
			key = "field.pull"
		}
		f.Name = v.T(key, f.Name, n)
	}
	f.Shown = v.Num(k.Target)
	if f.Value != nil {
		f.Shown = v.Num(f.Value.Value)
		f.Plain = f.Shown
		if key := "how." + f.Value.How; v.Has(key) {
			f.How, f.Ours = v.T(key), true
		} else {
			f.How = f.Value.How
		}
		if f.Value.Judged != nil {
			w := v.finding(*f.Value.Judged, o.Book)
			f.Judged, f.Do = w.Lead, w.Do
		}
	}
	return f, true
}

// asked is true where the spec needs the reading always, or the plan took the
// build and asks for it.
func asked(o *bar.Open, k *drink.Check) bool {
	if k.Need == drink.Always {
		return true
	}
	if o.Take == nil || o.Skipped != "" {
		return false
	}
	return k.Need == drink.WhenSampled || slices.Contains(o.Take.Checks, k.Measure) || slices.Contains(o.Take.Checks, k.ID)
}

// stepOf is what one tap adds: the coarsest step that the check can be read in.
func stepOf(k *drink.Check) drink.Milli {
	if k.Resolution > 0 {
		return k.Resolution
	}
	if m := drink.MeasureByCode(k.Measure); m != nil {
		return m.Resolution
	}
	return 1000
}

// keypadBody is the page of big digits for one reading.
type keypadBody struct {
	*bar.Open
	Field fieldView
	Title string
	// Typed so far; Keys are digits, then the decimal mark.
	Typed string
	Keys  []string
}

// typedMost bounds what is typed.
const typedMost = 9

func (s *Server) keypad(r *http.Request, v *view) error {
	o := v.State.Open
	if o == nil || o.ID != r.PathValue("build") || o.Serving == nil || o.Book == nil {
		return elsewhere("/")
	}
	k, n, err := checkOf(o, r.FormValue("check"), r.FormValue("n"))
	if err != nil {
		return notHere{err}
	}
	f, ok := v.field(o, k, n)
	if !ok {
		return elsewhere("/build/" + o.ID)
	}
	name, rest := titleOf(o.Book, o.Serving)
	b := keypadBody{
		Open: o, Field: f, Title: name + ", " + rest, Typed: typed(r.FormValue("typed"), r.FormValue("key")),
		Keys: []string{"7", "8", "9", "4", "5", "6", "1", "2", "3", v.T("locale.decimal"), "0"},
	}
	v.Page, v.Title, v.Body = "keypad", f.Name, &b
	return nil
}

// typed adds a key to what was typed.
func typed(text, key string) string {
	if !utf8.ValidString(text) || len(text) > typedMost {
		text = ""
	}
	switch {
	case key == "back":
		return text[:max(0, len(text)-1)]
	case len(key) != 1 || len(text) >= typedMost:
		return text
	case (key == "," || key == ".") && strings.ContainsAny(text, ",."):
		return text
	}
	return text + key
}

func checkOf(o *bar.Open, check, occurrence string) (*drink.Check, int, *bar.Refusal) {
	i := slices.IndexFunc(o.Serving.Checks, func(k drink.Check) bool { return k.ID == check })
	if i < 0 {
		return nil, 0, refuse("refuse.check", check)
	}
	k := &o.Serving.Checks[i]
	n, err := strconv.Atoi(occurrence)
	if err != nil || n < 1 || n > max(1, k.Occurrences) {
		return nil, 0, refuse("refuse.occurrence", occurrence)
	}
	return k, n, nil
}

// reading enters one value, moves it by a step, or takes it back.
func (s *Server) reading(r *http.Request, _ http.ResponseWriter) (string, error) {
	id := r.PathValue("build")
	st, err := s.cfg.Bar.State(r.Context())
	if err != nil {
		return "", err
	}
	o := st.Open
	if o == nil || o.ID != id || o.Serving == nil {
		return "", refuse("refuse.not_open")
	}
	k, n, no := checkOf(o, r.PostFormValue("check"), r.PostFormValue("n"))
	if no != nil {
		return "", no
	}
	now := k.Target
	if got := valueOf(o, k.ID, n); got != nil {
		now = got.Value
	}
	way := "stepper"
	switch r.PostFormValue("act") {
	case "clear":
		return "/build/" + id, s.cfg.Bar.Clear(r.Context(), id, k.ID, n)
	case "less":
		now -= stepOf(k)
	case "more":
		now += stepOf(k)
	case "target":
	case "typed":
		var ok bool
		if now, ok = parseNumber(r.PostFormValue("typed")); !ok {
			no := refuse("refuse.number", r.PostFormValue("typed"))
			no.Field = "typed"
			return "", no
		}
		way = "keypad"
	default:
		return "", refuse("refuse.act", r.PostFormValue("act"))
	}
	return "/build/" + id, s.cfg.Bar.Enter(r.Context(), id, k.ID, n, now, way)
}

func (s *Server) step(r *http.Request, _ http.ResponseWriter) (string, error) {
	id := r.PathValue("build")
	return "/build/" + id, s.cfg.Bar.Step(r.Context(), id, r.PostFormValue("step"), r.PostFormValue("done") == "yes")
}

func (s *Server) timer(r *http.Request, _ http.ResponseWriter) (string, error) {
	id := r.PathValue("build")
	if r.PostFormValue("act") == "stop" {
		return "/build/" + id, s.cfg.Bar.StopTimer(r.Context(), id)
	}
	return "/build/" + id, s.cfg.Bar.StartTimer(r.Context(), id)
}

func (s *Server) use(r *http.Request, _ http.ResponseWriter) (string, error) {
	id := r.PathValue("build")
	shots := 0
	if text := r.PostFormValue("shots"); text != "" {
		n, err := wholeNumber(text)
		if err != nil {
			return "", err
		}
		shots = int(min(n, drink.MaxSingles+1))
	}
	return "/build/" + id, s.cfg.Bar.Use(r.Context(), id, bar.Used{
		Vessel: r.PostFormValue("vessel"), Milk: r.PostFormValue("milk"), Shots: shots, Without: r.PostForm["without"],
	})
}

func (s *Server) skip(r *http.Request, _ http.ResponseWriter) (string, error) {
	id := r.PathValue("build")
	why, err := s.reason(r, "skip.")
	if err != nil {
		return "", err
	}
	return "/build/" + id, s.cfg.Bar.SkipMeasuring(r.Context(), id, why)
}

func (s *Server) abandon(r *http.Request, _ http.ResponseWriter) (string, error) {
	why, err := s.reason(r, "abandon.")
	if err != nil {
		return "", err
	}
	return "/", s.cfg.Bar.Abandon(r.Context(), r.PathValue("build"), why)
}

// reason is the one tapped, in the station's language whatever the page's, so
// that the centre can count it; or what was written.
func (s *Server) reason(r *http.Request, keys string) (string, error) {
	if why := strings.TrimSpace(r.PostFormValue("why")); why != "" {
		if t := s.texts[s.cfg.Language]; t.Has(keys + why) {
			return t.T(keys + why), nil
		}
	}
	if note := strings.TrimSpace(r.PostFormValue("note")); note != "" {
		return note, nil
	}
	no := refuse("refuse.reason")
	no.Field = "note"
	return "", no
}

func (s *Server) finish(r *http.Request, _ http.ResponseWriter) (string, error) {
	id := r.PathValue("build")
	if _, err := s.cfg.Bar.Finish(r.Context(), id); err != nil {
		return "", err
	}
	st, err := s.cfg.Bar.State(r.Context())
	if err == nil && st.Tasting != nil && st.Tasting.Build == id && !st.Tasting.Seen {
		return "/taste/" + id, nil
	}
	return "/#verdict", nil // it is logged, whatever the state said
}

func (s *Server) undo(r *http.Request, _ http.ResponseWriter) (string, error) {
	o, err := s.cfg.Bar.Undo(r.Context(), r.PostFormValue("build"))
	if err != nil {
		return "", err
	}
	return "/build/" + o.ID, nil
}

func wholeNumber(text string) (uint64, error) {
	n, err := strconv.ParseUint(text, 10, 32)
	if err != nil {
		return 0, refuse("refuse.number", text)
	}
	return n, nil
}

// KeypadPath is where a field's keypad is.
func (f fieldView) KeypadPath(build string) string {
	return "/build/" + url.PathEscape(build) + "/keypad?" + url.Values{"check": {f.Check}, "n": {strconv.Itoa(f.Occurrence)}}.Encode()
}
