package console

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/reading"
)

// teller says what the watch noticed as a page does: sites by name, values in the
// reader's units, times by the site's clock. A sentence that it cannot take apart
// whole stays as it is; files keep the watch's own.
type teller struct {
	sites *siteList
	read  reader
	now   time.Time
	// book names servings; nil leaves them by their codes.
	book *book
}

// teller needs the book for names alone, and does without where it cannot be had.
func (v *visit) teller() teller {
	b, err := v.newestBook()
	if err != nil {
		b = nil
	}
	return teller{v.sites(), v.read, v.now, b}
}

// tell is a sentence of a signal, or a line of a case's history that holds one.
func (t teller) tell(s string) string {
	for _, lead := range []string{"opened: ", "came back: "} {
		if rest, ok := strings.CutPrefix(s, lead); ok {
			if out, ok := t.sentence(rest, true); ok {
				return sentenceCase(lead) + out
			}
			return s
		}
	}
	if out, ok := t.sentence(s, true); ok {
		return out
	}
	return s
}

// short leaves the place out, where a column has it.
func (t teller) short(s string) string {
	if out, ok := t.sentence(s, false); ok {
		return out
	}
	return s
}

// spot is where a sentence is about; the zero spot is the whole chain.
type spot struct{ site, station string }

// place reads "site/station" or "site" of a known site.
func (t teller) place(s string) (spot, bool) {
	site, station, _ := strings.Cut(s, "/")
	return spot{site, station}, t.sites.by[site] != nil && !strings.Contains(station, "/")
}

func (t teller) name(at spot) string {
	switch {
	case at.site == "":
		return "the whole chain"
	case at.station == "":
		return t.sites.name(at.site)
	}
	return t.sites.name(at.site) + ", " + at.station
}

// Pieces of the watch's sentences. They are those of internal/watch as it writes
// them; a test retells a season's.
const (
	reMoved  = `([+-]\d[\d.e+-]*) (\S*)`
	reMoment = `(\d{4}-\d\d-\d\d \d\d:\d\d)`
	reSure   = `; [a-z][a-z, ]* \(p \d[\d.e+-]*\)`
)

var (
	chartForm = regexp.MustCompile(`^(?:(drinks in \S+|\S+): )?([a-z][^:]*): (level|spread within the shift|drift an hour since the last adjustment|turn of the dial a shift|level against the other sites|level at all sites|level against others at the same time|what the pump gives) (up|down) by (?:` +
		reMoved + `, )?(\d+\.\d) standard deviations of a subgroup, since about ` + reMoment + ` \((\d+) readings\)` + reSure + `(; \S+ is the likelier to have moved, the other way|; which of the two moved is not known)?$`)
	compareForm = regexp.MustCompile(`^(milk lot|coffee lot|drinks made by|release) (.{1,80}?): ([a-z][^:]*?) ` + reMoved + ` against (the lots before|those beside|the release before), -?(\d+\.\d\d) half-widths of the tolerance, over (\d+) subgroups at (\d+) stations of (\d+) sites \((.*)\)` + reSure + `$`)
	shareForm   = regexp.MustCompile(`^([\w/.-]+) ` + reMoved + `$`)
	rateForm    = regexp.MustCompile(`^("(?:[^"\\]|\\.)*") in (\d+) of (\d+) since about ` + reMoment + `, (\d+\.\d) % before` + reSure + `$`)
	oldForm     = regexp.MustCompile(`^([a-z][^:]*) is made to the target of the release before, (\d+) readings since the change at about ` + reMoment + `; very sure \(chance of error \S+\)$`)
	behindForm  = regexp.MustCompile(`^(\d+) of (\d+) builds follow release (\d+) where (\d+) of (\d+) stations follow release (\d+) or later$`)
	safetyForm  = regexp.MustCompile(`^build \S+ of (\S+): ([a-z_]+(?: [^;]+)?); (unsafe|cannot be confirmed safe)(, and bears on allergens)?$`)
	askForm     = regexp.MustCompile(`^log of (\S+): please ask, it is no verdict: (.+)$`)
)

// sentence takes a signal's words apart and says them anew.
func (t teller) sentence(s string, withPlace bool) (string, bool) {
	if out, ok := t.comparison(s); ok {
		return out, true
	}
	end := strings.IndexAny(s, " ,:")
	if end < 0 {
		return "", false
	}
	at, known := t.place(s[:end])
	rest := s[end:]
	if after, ok := strings.CutPrefix(s, "all sites: "); ok {
		at, known, rest = spot{}, true, ": "+after
	}
	if !known {
		return "", false
	}
	out, ok := t.about(at, rest)
	if !ok {
		return "", false
	}
	if withPlace && at.site != "" {
		return t.name(at) + ": " + out, true
	}
	return sentenceCase(out), true
}

// about is what follows the place.
func (t teller) about(at spot, rest string) (string, bool) {
	against := ""
	switch {
	case strings.HasPrefix(rest, " against "):
		var ok bool
		if against, rest, ok = strings.Cut(strings.TrimPrefix(rest, " against "), ": "); !ok {
			return "", false
		}
	case strings.HasPrefix(rest, ": "), strings.HasPrefix(rest, ", "):
		rest = rest[2:]
	default:
		return "", false
	}
	if m := chartForm.FindStringSubmatch(rest); m != nil {
		return t.moved(at, against, m)
	}
	if against != "" {
		return "", false
	}
	if m := rateForm.FindStringSubmatch(rest); m != nil {
		key, err := strconv.Unquote(m[1])
		when, ok := t.moment(m[4], at)
		return findingWords(key) + " in " + m[2] + " of " + m[3] + " since about " + when + ", " + reading.Mark(m[5]) + " % before", err == nil && ok
	}
	if m := oldForm.FindStringSubmatch(rest); m != nil && unitsByLabel[m[1]] != nil {
		when, ok := t.moment(m[3], at)
		return m[1] + " is made to the target of the release before: " + m[2] + " readings since the change at about " + when, ok
	}
	if m := behindForm.FindStringSubmatch(rest); m != nil {
		return m[1] + " of " + m[2] + " builds follow release " + m[3] + ", where " + m[4] + " of " + m[5] + " stations follow release " + m[6] + " or a later one", true
	}
	if m := safetyForm.FindStringSubmatch(rest); m != nil {
		return t.book.servingWordsOr(m[1]) + ": " + findingWords(m[2]) + "; " + m[3] + m[4], true
	}
	if m := askForm.FindStringSubmatch(rest); m != nil {
		return "please ask about the log of " + m[1] + "; it is no verdict. " + chart.Decimals(m[2], reading.DecimalSign), true
	}
	return "", false
}

// unitsByLabel are the units of what the watch names by a measure's label.
var unitsByLabel = func() map[string]*drink.Unit {
	out := map[string]*drink.Unit{"grinder setting": new(drink.Unit)}
	for i := range drink.Measures {
		m := &drink.Measures[i]
		out[m.Label], out[m.Label+" of servings with syrup"] = &m.Unit, &m.Unit
	}
	return out
}()

// moved is a chart's sentence.
func (t teller) moved(at spot, against string, m []string) (string, bool) {
	prefix, label, what, up := m[1], m[2], m[3], m[4] == "up"
	unit := unitsByLabel[label]
	when, ok := t.moment(m[8], at)
	if unit == nil || !ok || (against != "") != (what == "level against others at the same time") ||
		prefix != "" && what != "what the pump gives" && what != "level against the other sites" {
		return "", false
	}
	size := m[7] + " standard deviations of its samples"
	if m[5] != "" {
		v, err := strconv.ParseFloat(m[5], 64)
		if err != nil || m[6] != unit.Symbol() {
			return "", false
		}
		size = t.amount(max(v, -v), *unit)
	} else if what != "spread within the shift" {
		return "", false
	}
	dir, more := m[4], pick(up, "more", "less")
	said := ""
	switch what {
	case "spread within the shift":
		said = label + " scatters " + more + " within the shift, by " + reading.Mark(size)
	case "drift an hour since the last adjustment":
		said = label + ": drift since the last adjustment " + dir + " by " + size + " an hour"
	case "turn of the dial a shift":
		said = "the grinder is turned " + dir + " by " + size + " more each shift"
	case "what the pump gives":
		said = label + ": the pump gives " + size + " " + more
	case "level":
		said = label + " " + dir + " by " + size
	case "level against others at the same time":
		said = label + " " + dir + " by " + size + " against " + against
	default:
		said = label + " " + dir + " by " + size + strings.TrimPrefix(what, "level")
	}
	if prefix != "" {
		said = strings.ReplaceAll(prefix, "-", " ") + ": " + said
	}
	readings := m[9] + " readings"
	if m[9] == "1" {
		readings = "1 reading"
	}
	return said + ", since about " + when + " (" + readings + ")" + m[10], true
}

// comparison is a sentence about a lot, a person or a release.
func (t teller) comparison(s string) (string, bool) {
	m := compareForm.FindStringSubmatch(s)
	if m == nil || unitsByLabel[m[3]] == nil {
		return "", false
	}
	unit := *unitsByLabel[m[3]]
	size, ok := t.shift(m[4], m[5], unit)
	if !ok {
		return "", false
	}
	each := strings.Split(m[11], "; ")
	for i, e := range each {
		k := shareForm.FindStringSubmatch(e)
		if k == nil {
			return "", false
		}
		at, known := t.place(k[1])
		by, ok := t.shift(k[2], k[3], unit)
		if !known || !ok {
			return "", false
		}
		each[i] = t.name(at) + " " + by
	}
	n := func(s, one string) string {
		if s == "1" {
			return s + " " + one
		}
		return s + " " + one + "s"
	}
	return sentenceCase(m[1]) + " " + m[2] + ": " + m[3] + " " + size + " against " + m[6] + ", " + reading.Mark(m[7]) + " times the distance from target to limit, in " +
		n(m[8], "sample") + " at " + n(m[9], "station") + " of " + n(m[10], "site") + " (" + strings.Join(each, "; ") + ")", true
}

// shift is a signed change in the reader's unit.
func (t teller) shift(figure, symbol string, unit drink.Unit) (string, bool) {
	v, err := strconv.ParseFloat(figure, 64)
	if err != nil || symbol != unit.Symbol() {
		return "", false
	}
	if v < 0 {
		return "−" + t.amount(-v, unit), true
	}
	return "+" + t.amount(v, unit), true
}

// amount is the size of a change, at least 0.
func (t teller) amount(v float64, unit drink.Unit) string {
	d := t.read.Difference(v, unit)
	figure := t.read.Figure(d, unit)
	if figure == "0" && v > 0 {
		figure = reading.Mark(strconv.FormatFloat(d, 'g', 1, 64)) // finer than the unit is read, and not nothing
	}
	return reading.WithUnit(figure, t.read.Symbol(unit))
}

// moment turns a time of the watch, which is UTC, to the clock at the place.
func (t teller) moment(s string, of spot) (string, bool) {
	when, err := time.Parse("2006-01-02 15:04", s)
	if err != nil {
		return "", false
	}
	return at(when, t.sites.zone(of.site), t.now), true
}

// findingWords is a finding's key, "above_tolerance milk_temp", in words.
func findingWords(key string) string {
	kind, about, _ := strings.Cut(key, " ")
	if m := drink.MeasureByCode(about); m != nil && !strings.HasPrefix(kind, "step_") {
		return m.Label + " " + plain(kind)
	}
	if about == "" {
		return plain(kind)
	}
	return plain(kind) + ": " + plain(about)
}

func pick(yes bool, a, b string) string {
	if yes {
		return a
	}
	return b
}

var (
	effectForm   = regexp.MustCompile(`^(?:(\S+) )?([a-z_@]+(?: [^;:()]+)?) \([a-z]+\): (.+)$`)
	levelEffect  = regexp.MustCompile(`^(-?\d+\.\d\d) after the fix over (\d+) subgroups \((\d+) readings\), (-?\d+\.\d\d) before, (-?\d+\.\d\d) with the fault: (mended at 5 %|not mended at 5 %|about \d+ subgroups would do)$`)
	fewEffect    = regexp.MustCompile(`^(\d+) subgroups after the fix, about (\d+) would do$`)
	noneEffect   = regexp.MustCompile(`^no builds after the fix, about (\d+) without one would do$`)
	shareEffects = regexp.MustCompile(`^(\d+) of (\d+) builds after the fix, below (\S+) % needed: (at most \S+ % with 95 %: mended|not mended at 5 %|about \d+ builds without one would do)$`)
)

// effect says what the builds since a fix tell, test by test.
func (t teller) effect(s string) string {
	parts := strings.Split(s, "; ")
	for i, p := range parts {
		if out, ok := t.test(p); ok {
			parts[i] = out
		}
	}
	return strings.Join(parts, "; ")
}

func (t teller) test(s string) (string, bool) {
	m := effectForm.FindStringSubmatch(s)
	if m == nil {
		return "", false
	}
	where, of := m[1], findingWords(m[2])
	if k := drink.MeasureByCode(m[2]); k != nil {
		of = k.Label
	}
	if at, known := t.place(where); known {
		where = t.name(at)
	}
	if where != "" {
		where += ", "
	}
	figures := func(s string) string { return chart.Decimals(s, reading.DecimalSign) }
	if k := levelEffect.FindStringSubmatch(m[3]); k != nil {
		return where + of + ", its distance from target over that to the limit: " + figures(k[1]) + " in " + k[2] + " samples since the fix, " + figures(k[4]) + " before, " + figures(k[5]) + " with the fault: " + strings.Replace(k[6], "subgroups", "samples", 1), true
	}
	if k := fewEffect.FindStringSubmatch(m[3]); k != nil {
		return where + of + ": " + k[1] + " samples since the fix, about " + k[2] + " would do", true
	}
	if noneEffect.MatchString(m[3]) || shareEffects.MatchString(m[3]) {
		return where + of + ": " + figures(m[3]), true
	}
	return "", false
}

var cupsForm = regexp.MustCompile(`^((?:.*; )?cups were delivered on )(\d{4}-\d\d-\d\d)$`)

// advice is why a cause is suspected, or what would tell, in the reader's units. The
// masses of 20 g and 100 g are things, and stay.
func (t teller) advice(s string) string {
	if m := cupsForm.FindStringSubmatch(s); m != nil {
		if day, err := time.Parse(time.DateOnly, m[2]); err == nil {
			s = m[1] + dateWords(day, "2 January")
		}
	}
	return t.read.Advice(s)
}
