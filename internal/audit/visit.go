package audit

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"samecup.example/samecup/internal/drink"
)

// Visit is a form as filled in.
type Visit struct {
	Plan    *Plan
	Entries []Entry
}

// Entry is one drink of a visit. A drink that is neither measured nor missed is
// not in the visit, and Judge says so.
type Entry struct {
	No int
	// Serving is what was made, the plan's unless another was written.
	Serving string
	// Build is the number copied from the station; empty where there is none,
	// so that the drink cannot be paired.
	Build string
	// Missed says why there is no reading.
	Missed   string
	Readings []drink.Reading
}

// Bounds of a visit file. Choices of ours.
const (
	mostVisitRows  = 5_000
	mostVisitBytes = 4 << 20
	mostVisitText  = 200
)

var visitColumns = []string{"no", "build", "serving", "check", "n", "value", "step", "missed"}

// ReadVisit reads the readings of a visit: CSV with a header row and the
// columns no, build, serving, check, n, value, step, missed, one value a row.
// value and step (the instrument's smallest step) are in the base unit, with a
// decimal point. build, serving and missed may be empty, and need to be written
// once a drink; a missed drink has neither check nor value. The values of the
// plan alone are taken: others are refused, for what was not planned was chosen.
func ReadVisit(r io.Reader, p *Plan) (*Visit, error) {
	cr := csv.NewReader(io.LimitReader(r, mostVisitBytes))
	cr.TrimLeadingSpace = true
	header, err := cr.Read()
	if err != nil {
		return nil, fmt.Errorf("%w: the header row cannot be read: %w; begin with %s", ErrInput, err, strings.Join(visitColumns, ","))
	}
	for i := range header {
		header[i] = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(header[i], "\ufeff")))
	}
	at := map[string]int{}
	for _, c := range visitColumns {
		if at[c] = slices.Index(header, c); at[c] < 0 {
			return nil, inputErr("header", strings.Join(header, ","), "the columns "+strings.Join(visitColumns, ","))
		}
	}
	v := &Visit{Plan: p}
	for row := 0; ; row++ {
		rec, err := cr.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrInput, err)
		}
		line, _ := cr.FieldPos(0)
		if row == mostVisitRows {
			return nil, inputErr("rows", "more", fmt.Sprintf("at most %d", mostVisitRows))
		}
		get := func(c string) string { return strings.TrimSpace(rec[at[c]]) }
		for _, c := range visitColumns {
			if len(get(c)) > mostVisitText {
				return nil, inputErr(fmt.Sprintf("line %d, %s", line, c), fmt.Sprintf("%d bytes", len(get(c))), fmt.Sprintf("at most %d", mostVisitText))
			}
		}
		if err := v.add(line, get); err != nil {
			return nil, err
		}
	}
	if len(v.Entries) == 0 {
		return nil, inputErr("rows", 0, "one row a value, and one a missed drink")
	}
	slices.SortFunc(v.Entries, func(a, b Entry) int { return a.No - b.No })
	for i := range v.Entries {
		if e := &v.Entries[i]; e.Missed != "" && len(e.Readings) > 0 {
			return nil, inputErr(fmt.Sprintf("drink %d", e.No), "missed, with values", "one or the other")
		}
	}
	return v, nil
}

func (v *Visit) add(line int, get func(string) string) error {
	place := func(c string) string { return fmt.Sprintf("line %d, %s", line, c) }
	no, err := strconv.Atoi(get("no"))
	if err != nil || no < 1 || no > len(v.Plan.Picks) {
		return inputErr(place("no"), strconv.Quote(get("no")), fmt.Sprintf("a drink of the plan, 1 to %d", len(v.Plan.Picks)))
	}
	pick := &v.Plan.Picks[no-1]
	i := slices.IndexFunc(v.Entries, func(e Entry) bool { return e.No == no })
	if i < 0 {
		i = len(v.Entries)
		v.Entries = append(v.Entries, Entry{No: no, Serving: pick.Serving})
	}
	e := &v.Entries[i]
	for _, f := range []struct {
		col  string
		into *string
		free string // what may be overwritten
	}{{"build", &e.Build, ""}, {"serving", &e.Serving, pick.Serving}, {"missed", &e.Missed, ""}} {
		text := get(f.col)
		if text == "" {
			continue
		}
		if *f.into != f.free && *f.into != text {
			return inputErr(place(f.col), strconv.Quote(text), fmt.Sprintf("what stands there already for drink %d: %q", no, *f.into))
		}
		*f.into = text
	}
	if get("check") == "" && get("value") == "" {
		return nil
	}
	n, err := strconv.Atoi(get("n"))
	k := slices.IndexFunc(pick.Checks, func(c PickCheck) bool { return c.Check == get("check") && c.Occurrence == n })
	if err != nil || k < 0 {
		return inputErr(place("check, n"), fmt.Sprintf("%q, %q", get("check"), get("n")), "a check of this drink in the plan: "+planned(pick))
	}
	c := pick.Checks[k]
	r := drink.Reading{Check: c.Check, Occurrence: n, Unit: c.Unit, Instrument: "auditor"}
	if r.Value, err = decimal(get("value")); err != nil {
		return inputErr(place("value"), strconv.Quote(get("value")), fmt.Sprintf("a number in %s, such as 60.5, or leave the row out", unitWord(c.Unit)))
	}
	if text := get("step"); text != "" {
		if r.Resolution, err = decimal(text); err != nil || r.Resolution < 0 {
			return inputErr(place("step"), strconv.Quote(text), "the smallest step that the instrument shows, such as 0.1")
		}
	}
	if slices.ContainsFunc(e.Readings, func(o drink.Reading) bool { return o.Check == r.Check && o.Occurrence == n }) {
		return inputErr(place("check, n"), fmt.Sprintf("%q, %d again", c.Check, n), "one value each")
	}
	e.Readings = append(e.Readings, r)
	return nil
}

func planned(k *Pick) string {
	var out []string
	for _, c := range k.Checks {
		out = append(out, fmt.Sprintf("%s %d", c.Check, c.Occurrence))
	}
	return strings.Join(out, ", ")
}

func unitWord(u drink.Unit) string {
	if s := u.Symbol(); s != "" {
		return s
	}
	return "pieces"
}

var errDecimal = errors.New("not a number")

func decimal(text string) (drink.Milli, error) {
	if strings.ContainsAny(text, "xXpP_") { // forms that ParseFloat takes and no hand writes
		return 0, errDecimal
	}
	f, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, errDecimal
	}
	m, ok := drink.FromFloat(f)
	if !ok {
		return 0, errDecimal
	}
	return m, nil
}
