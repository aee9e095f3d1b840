// Package report answers: how alike were the cups of a week at a site, in an
// area or in the whole chain, and what is to be done about it? It is a client of
// quality and authority: [Gather] asks them, [Build] turns what they said into a
// document without asking anybody, and [Document.PDF] prints it.
package report

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// ErrQuery marks words of the caller that cannot be used.
var ErrQuery = errors.New("cannot be used")

// Scope is what a report is about. Both empty is the whole chain; at most one
// is set.
type Scope struct{ Region, Site string }

var slug = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// ParseScope reads "chain", "region/NAME" or "site/NAME". Errors wrap
// [ErrQuery].
func ParseScope(s string) (Scope, error) {
	kind, name, named := strings.Cut(s, "/")
	switch {
	case s == "chain":
		return Scope{}, nil
	case named && slug.MatchString(name) && kind == "region":
		return Scope{Region: name}, nil
	case named && slug.MatchString(name) && kind == "site":
		return Scope{Site: name}, nil
	}
	return Scope{}, fmt.Errorf("scope %q %w: allowed are chain, region/NAME and site/NAME, such as site/tannery-row", s, ErrQuery)
}

// String is how [ParseScope] reads it.
func (s Scope) String() string {
	switch {
	case s.Site != "":
		return "site/" + s.Site
	case s.Region != "":
		return "region/" + s.Region
	}
	return "chain"
}

// Week is a week of ISO 8601: from Monday, the first one with a Thursday in the
// year.
type Week struct{ Year, Number int }

var weekForm = regexp.MustCompile(`^(\d{4})-W(\d{2})$`)

// ParseWeek reads "2026-W47". Errors wrap [ErrQuery].
func ParseWeek(s string) (Week, error) {
	m := weekForm.FindStringSubmatch(s)
	if m == nil {
		return Week{}, fmt.Errorf("week %q %w: write year and week as in 2026-W47", s, ErrQuery)
	}
	year, _ := strconv.Atoi(m[1]) // digits by the pattern
	number, _ := strconv.Atoi(m[2])
	w := Week{Year: year, Number: number}
	if year < 2000 || WeekOf(w.Monday()) != w {
		return Week{}, fmt.Errorf("week %q %w: the year has no such week; allowed are weeks from 2000-W01, 1 to 52 or 53 in a year", s, ErrQuery)
	}
	return w, nil
}

// WeekOf is the week that t's date lies in, in t's zone.
func WeekOf(t time.Time) Week {
	y, n := t.ISOWeek()
	return Week{Year: y, Number: n}
}

// Monday is its first date, as midnight UTC.
func (w Week) Monday() time.Time {
	// 4 January lies in week 1.
	t := time.Date(w.Year, 1, 4, 0, 0, 0, 0, time.UTC)
	back := (int(t.Weekday()) + 6) % 7
	return t.AddDate(0, 0, 7*(w.Number-1)-back)
}

// Sunday is its last date.
func (w Week) Sunday() time.Time { return w.Monday().AddDate(0, 0, 6) }

// Before is the week n weeks earlier.
func (w Week) Before(n int) Week { return WeekOf(w.Monday().AddDate(0, 0, -7*n)) }

func (w Week) String() string { return fmt.Sprintf("%04d-W%02d", w.Year, w.Number) }
