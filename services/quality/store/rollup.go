package store

import (
	"context"
	"errors"
	"time"

	"samecup.example/samecup/services/quality/rollup"
)

// ErrDiffers is returned where a roll-up differs from its builds.
var ErrDiffers = errors.New("a roll-up differs from the builds beneath it")

// Rollups keeps the roll-ups of the builds in a [Store]. They follow the builds
// by a durable cursor: until [Rollups.Roll] has run, a build is counted by the
// intake and not yet in a figure.
type Rollups interface {
	// Roll adds up to limit builds that are not in the roll-ups yet and computes
	// hours anew whose builds were judged later or corrected.
	Roll(ctx context.Context, limit int) (Rolled, error)
	// ResetRollups empties the roll-ups, so that Roll computes all of them from
	// the stored builds.
	ResetRollups(ctx context.Context) error
	// VerifyRollups computes every roll-up from the stored builds by another way
	// than Roll does, and compares. The error wraps ErrDiffers and names the
	// first cell that differs. progress, which may be nil, hears how many builds
	// were read of how many.
	VerifyRollups(ctx context.Context, progress func(done, all int64)) error
	// SetCalendar tells in which zone a site's business days are counted.
	SetCalendar(ctx context.Context, site, zone string, dayStart int) error

	// QueryRollups adds roll-ups up into the groups asked for.
	QueryRollups(ctx context.Context, q RollupQuery) ([]RollupGroup, error)
	// CountBuilds counts the builds that began at the sites from since to before
	// until, to the millisecond, as far as they are in the roll-ups.
	CountBuilds(ctx context.Context, sites []string, since, until time.Time) (rollup.Counts, error)
	// BuildsBeneath lists builds that are in the roll-ups, by station and hour.
	BuildsBeneath(ctx context.Context, q BuildQuery) ([]Build, error)
	// PendingRollups counts the builds that are not in the roll-ups yet and the
	// station hours to be computed anew.
	PendingRollups(ctx context.Context) (builds, hours int64, err error)
}

// Rolled is what one call of Roll did.
type Rolled struct {
	Builds, Recomputed int
	// More is true where there is more to do.
	More bool
}

// RollupFilter restricts figures and the builds beneath them.
type RollupFilter struct {
	// Sites and Stations restrict the places; a station is "site/station".
	Sites, Stations []string
	// Servings and Drinks restrict what was made.
	Servings, Drinks []string
	// FirstDay and LastDay are business days, both included.
	FirstDay, LastDay int64
	// Calendar counts the days; nil takes each site's own.
	Calendar *rollup.Calendar
}

// Span is what a group of figures spans in time.
type Span int

// Spans. Keys of a group: SpanAll 0; SpanHour the UTC hour; SpanDay the
// business day; SpanWeek its Monday; SpanMonth the month as in package rollup;
// SpanHourOfDay the hour of the clock, 0 to 23; SpanHourOfWeek that and 24 for
// each day since Monday, 0 to 167.
const (
	SpanAll Span = iota
	SpanHour
	SpanDay
	SpanWeek
	SpanMonth
	SpanHourOfDay
	SpanHourOfWeek
)

// RollupQuery asks for figures.
type RollupQuery struct {
	RollupFilter
	BySite, ByStation, ByServing, ByDrink bool
	Span                                  Span
	// Detail reads findings and checks too; Checks restricts them, empty is all.
	Detail bool
	Checks []string
}

// RollupKey names a group of figures; what was not grouped by is empty.
type RollupKey struct {
	Site, Station, Drink, Serving string
	Period                        int64
}

// RollupGroup is one group of figures.
type RollupGroup struct {
	RollupKey
	rollup.Group
}

// BuildQuery asks for the builds beneath a figure.
type BuildQuery struct {
	RollupFilter
	// Hour restricts to one UTC hour where set.
	Hour *int64
	// Grades restricts to these; empty is all.
	Grades []int32
	After  BuildCursor
	Limit  int
}

// BuildCursor is where a list of builds goes on: after this one.
type BuildCursor struct {
	StationRef int64 `json:"s,omitempty"`
	Hour       int64 `json:"h,omitempty"`
	Ref        int64 `json:"r,omitempty"`
}
