package audit

import (
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
	"samecup.example/samecup/internal/verdict"
)

// Judged is a visit held against the book.
type Judged struct {
	Site    string        `json:"site"`
	Day     string        `json:"day"`
	Plan    string        `json:"plan"`
	Entries []JudgedEntry `json:"entries"`
	// Planned, Measured and Missed count drinks; OffSpec those measured that
	// are not in spec, with the share's 95 % Wilson interval. Unsafe and Unknown
	// (safety could not be told) are among them.
	Planned  int         `json:"planned"`
	Measured int         `json:"measured"`
	Missed   int         `json:"missed"`
	OffSpec  int         `json:"off_spec"`
	Unsafe   int         `json:"unsafe"`
	Unknown  int         `json:"unknown"`
	Wilson   stat.Bounds `json:"off_spec_wilson95"`
	Power    string      `json:"power"`
}

// JudgedEntry is one drink.
type JudgedEntry struct {
	No       int      `json:"no"`
	Serving  string   `json:"serving"`
	Grade    string   `json:"grade,omitempty"`
	Findings []string `json:"findings,omitempty"`
	Missed   string   `json:"missed,omitempty"`
}

// Judge judges the values of a visit as any build's are judged: a value that
// the plan asked for and that is not there is a missing reading. What the form
// does not ask for (steps, garnish) is not judged.
func Judge(b *drink.Book, v *Visit) (*Judged, error) {
	p := v.Plan
	j := &Judged{Site: p.Site, Day: p.Day, Plan: p.Digest(), Planned: len(p.Picks)}
	for i := range p.Picks {
		k := &p.Picks[i]
		at := slices.IndexFunc(v.Entries, func(e Entry) bool { return e.No == k.No })
		switch {
		case at < 0:
			j.Missed++
			j.Entries = append(j.Entries, JudgedEntry{No: k.No, Serving: k.Serving, Missed: "nothing was written; it counts as missed"})
			continue
		case len(v.Entries[at].Readings) == 0:
			why := v.Entries[at].Missed
			if why == "" {
				why = "no value was written; it counts as missed"
			}
			j.Missed++
			j.Entries = append(j.Entries, JudgedEntry{No: k.No, Serving: v.Entries[at].Serving, Missed: why})
			continue
		}
		e, grade, err := judgeEntry(b, k, &v.Entries[at])
		if err != nil {
			return nil, err
		}
		j.Measured++
		switch grade {
		case verdict.Unsafe:
			j.Unsafe++
		case verdict.Unknown:
			j.Unknown++
		}
		if grade != verdict.InSpec {
			j.OffSpec++
		}
		j.Entries = append(j.Entries, e)
	}
	if j.Measured == 0 {
		return j, nil
	}
	var err error
	if j.Wilson, err = stat.Wilson(j.OffSpec, j.Measured, 0.95); err != nil {
		return nil, fmt.Errorf("share off spec: %w", err)
	}
	if j.Power, err = stat.PowerWords(j.Measured, defaultFault); err != nil {
		return nil, fmt.Errorf("stating the power: %w", err)
	}
	return j, nil
}

func judgeEntry(b *drink.Book, k *Pick, e *Entry) (JudgedEntry, verdict.Grade, error) {
	s, ok := b.ServingByID(e.Serving)
	if !ok {
		return JudgedEntry{}, 0, inputErr(fmt.Sprintf("serving of drink %d", k.No), fmt.Sprintf("%q", e.Serving), "a serving of the book; is it the book that the plan was made from?")
	}
	// The serving with only what the form asks for, each value needed.
	asked := *s
	asked.Steps, asked.Garnish, asked.MayReplace, asked.Checks = nil, nil, nil, nil
	made := verdict.Exemplar(&asked)
	made.Readings = nil
	for i := range s.Checks {
		c := s.Checks[i]
		for _, want := range k.Checks {
			if want.Check != c.ID {
				continue
			}
			// One value is asked for, whichever pull it is of.
			c.Need, c.Occurrences = drink.Always, 1
			asked.Checks = append(asked.Checks, c)
		}
	}
	for _, r := range e.Readings {
		r.Occurrence = 1
		made.Readings = append(made.Readings, r)
	}
	c, err := verdict.Compile(&asked)
	if err != nil {
		return JudgedEntry{}, 0, fmt.Errorf("drink %d, %s: %w", k.No, s.ID, err)
	}
	var v verdict.Verdict
	c.Judge(&made, &v)
	out := JudgedEntry{No: k.No, Serving: s.ID, Grade: v.Grade.String()}
	for _, f := range v.Findings {
		out.Findings = append(out.Findings, f.String())
	}
	return out, v.Grade, nil
}

// String tells the visit in words.
func (j *Judged) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Audit of %s, %s, plan %s\n", j.Site, j.Day, j.Plan)
	b.WriteString("  method       each value judged against the book as a logged value is; 95 % Wilson interval\n")
	b.WriteString("  assumes      drinks and times drawn at random by the plan, ordered as a guest would, read before the log was seen\n")
	fmt.Fprintf(&b, "  n            %d drinks measured of %d planned, %d missed\n\n", j.Measured, j.Planned, j.Missed)
	for _, e := range j.Entries {
		if e.Missed != "" {
			fmt.Fprintf(&b, "  %2d  %-34s MISSED: %s\n", e.No, e.Serving, e.Missed)
			continue
		}
		fmt.Fprintf(&b, "  %2d  %-34s %s\n", e.No, e.Serving, e.Grade)
		for _, f := range e.Findings {
			fmt.Fprintf(&b, "        %s\n", f)
		}
	}
	if j.Measured == 0 {
		b.WriteString("\nNothing was measured, so nothing is known.\n")
		return b.String()
	}
	fmt.Fprintf(&b, "\n%d of %d are not in spec (%.0f to %.0f %%); %d unsafe, %d whose safety cannot be told. %s\n",
		j.OffSpec, j.Measured, 100*j.Wilson.Lower, 100*j.Wilson.Upper, j.Unsafe, j.Unknown, j.Power)
	if 4*j.Missed > j.Planned {
		b.WriteString("More than a quarter was missed: what was measured may not stand for the rest.\n")
	}
	return b.String()
}
