// Package reportaudit reads the files of samecup audit and words the answers.
package reportaudit

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"samecup.example/samecup/internal/audit"
	"samecup.example/samecup/internal/buildlog"
	"samecup.example/samecup/internal/drink"
)

// PlanQuestion holds the flags of samecup audit plan.
type PlanQuestion struct {
	Site, Day     string
	Slots, Limits []string
	PerSlot, Cups int
	Drinks        []string
	Fault         float64
	Seed          uint64
}

// Plan draws the visit.
func Plan(b *drink.Book, q PlanQuestion) (*audit.Plan, error) {
	p := audit.Params{Site: q.Site, Day: q.Day, PerSlot: q.PerSlot, Cups: q.Cups, Drinks: q.Drinks, Fault: q.Fault}
	for _, text := range q.Slots {
		s, err := slot(text)
		if err != nil {
			return nil, err
		}
		p.Slots = append(p.Slots, s)
	}
	for _, text := range q.Limits {
		measure, value, ok := strings.Cut(text, "=")
		f, err := strconv.ParseFloat(value, 64)
		m, fits := drink.FromFloat(f)
		if !ok || err != nil || !fits {
			return nil, fmt.Errorf("--limit is %q, allowed: a measure and a number in its unit, such as milk_temp=2", text)
		}
		if p.Limits == nil {
			p.Limits = map[string]drink.Milli{}
		}
		p.Limits[measure] = m
	}
	return audit.NewPlan(b, p, q.Seed)
}

func slot(text string) (audit.Slot, error) {
	wrong := fmt.Errorf("--slot is %q, allowed: station,barista,from-to, such as bar-1,b-17,07:00-11:00", text)
	part := strings.Split(text, ",")
	if len(part) != 3 {
		return audit.Slot{}, wrong
	}
	from, to, ok := strings.Cut(part[2], "-")
	if !ok {
		return audit.Slot{}, wrong
	}
	s := audit.Slot{Station: part[0], Barista: part[1]}
	var err error
	if s.From, err = audit.ParseClock(from); err != nil {
		return s, wrong
	}
	if s.To, err = audit.ParseClock(to); err != nil {
		return s, wrong
	}
	return s, nil
}

// Form reads the plan at path, "-" for stdin, and makes its form.
func Form(path string, stdin io.Reader) (*audit.Plan, *audit.Form, error) {
	p, err := readPlan(path, stdin)
	if err != nil {
		return nil, nil, err
	}
	return p, audit.NewForm(p), nil
}

func readPlan(path string, stdin io.Reader) (*audit.Plan, error) {
	in := stdin
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, fmt.Errorf("opening the plan: %w", err)
		}
		defer f.Close()
		in = f
	}
	p, err := audit.ReadPlan(in)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return p, nil
}

// AgreeQuestion holds the flags of samecup audit agree.
type AgreeQuestion struct {
	Book          string
	Plans, Visits []string
}

// AgreeReport is the answer: each visit judged, then all compared with the log.
type AgreeReport struct {
	Visits    []*audit.Judged  `json:"visits"`
	Agreement *audit.Agreement `json:"agreement"`
	// Unread lists the lines of the log that are no builds.
	Unread []string `json:"unread,omitempty"`
}

// mostUnread bounds the lines told one by one.
const mostUnread = 20

// Agree reads plans, visits and log.
func Agree(b *drink.Book, log io.Reader, q AgreeQuestion) (*AgreeReport, error) {
	if len(q.Plans) != len(q.Visits) {
		return nil, fmt.Errorf("%d --plan and %d --visit, allowed: one plan for each visit, in the same order", len(q.Plans), len(q.Visits))
	}
	r := &AgreeReport{}
	var visits []*audit.Visit
	sites := map[string]bool{}
	for i, path := range q.Plans {
		p, err := readPlan(path, nil)
		if err != nil {
			return nil, err
		}
		f, err := os.Open(q.Visits[i])
		if err != nil {
			return nil, fmt.Errorf("opening the visit: %w", err)
		}
		v, err := audit.ReadVisit(f, p)
		_ = f.Close() // only read from
		if err != nil {
			return nil, fmt.Errorf("%s: %w", q.Visits[i], err)
		}
		j, err := audit.Judge(b, v)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", q.Visits[i], err)
		}
		visits, r.Visits = append(visits, v), append(r.Visits, j)
		sites[p.Site] = true
	}
	builds, err := r.read(log, sites)
	if err != nil {
		return nil, err
	}
	r.Agreement, err = audit.Compare(visits, builds)
	return r, err
}

// read keeps the builds of the visited sites.
func (r *AgreeReport) read(log io.Reader, sites map[string]bool) ([]drink.Build, error) {
	in := buildlog.NewReader(log)
	var out []drink.Build
	for {
		var b drink.Build
		err := in.Next(&b)
		var line *buildlog.LineError
		switch {
		case errors.Is(err, io.EOF):
			return out, nil
		case errors.As(err, &line):
			if len(r.Unread) < mostUnread {
				r.Unread = append(r.Unread, line.Error())
			}
			continue
		case err != nil:
			return nil, fmt.Errorf("reading the log: %w", err)
		}
		if sites[b.Site] {
			b.Readings = slices.Clone(b.Readings)
			out = append(out, b)
		}
	}
}

// String writes the answer in words.
func (r *AgreeReport) String() string {
	var b strings.Builder
	for _, v := range r.Visits {
		b.WriteString(v.String() + "\n")
	}
	b.WriteString(r.Agreement.String())
	if len(r.Unread) > 0 {
		fmt.Fprintf(&b, "\nLines of the log that are no builds (the first %d):\n", len(r.Unread))
		for _, l := range r.Unread {
			fmt.Fprintf(&b, "  %s\n", l)
		}
	}
	return b.String()
}
