package quality

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/rollup"
	"samecup.example/samecup/services/quality/store"
)

const (
	defaultRows  = 1000
	maxRows      = 10_000
	maxQuantiles = 20
	maxDays      = 3660
	// maxListed names or places may stand in a filter.
	maxListed = 5000
)

type insightServer struct {
	pb.UnimplementedInsightServiceServer
	service *Service
}

// insightToken is where a list goes on. Of is the digest of the request it
// belongs to, since a place in one list means nothing in another.
type insightToken struct {
	Of    []byte            `json:"o"`
	Key   store.RollupKey   `json:"k,omitzero"`
	Check string            `json:"c,omitempty"`
	Build store.BuildCursor `json:"b,omitzero"`
}

func (t insightToken) encode() (string, error) {
	text, err := json.Marshal(t)
	if err != nil {
		return "", fmt.Errorf("write a page token: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(text), nil
}

// digest of a request without its page.
func digest(req proto.Message) ([]byte, error) {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return nil, fmt.Errorf("write a page token: %w", err)
	}
	sum := sha256.Sum256(b)
	return sum[:12], nil
}

func (c *checker) token(text string, of []byte) (t insightToken) {
	if text == "" {
		return t
	}
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || json.Unmarshal(raw, &t) != nil || !slices.Equal(t.Of, of) {
		c.bad("page_token", "not a token of this list; pass next_page_token as it was given, with the same request")
	}
	return t
}

// checker collects what is wrong with a request.
type checker struct{ violations []rpc.Violation }

func (c *checker) bad(field, format string, args ...any) {
	c.violations = append(c.violations, rpc.Violation{Field: field, Description: fmt.Sprintf(format, args...)})
}

func (c *checker) err() error {
	if len(c.violations) == 0 {
		return nil
	}
	return rpc.Invalid(c.violations...)
}

func (c *checker) page(size int32, standard, most int) int {
	switch {
	case size == 0:
		return standard
	case size < 0 || int(size) > most:
		c.bad("page_size", "%d is not allowed; ask for 1 to %d, or 0 for %d", size, most, standard)
	}
	return int(size)
}

func (c *checker) day(field, text string) int64 {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		c.bad(field, "%q is not a day; write it as 2026-11-02", text)
		return 0
	}
	return rollup.DayNumber(t)
}

func (c *checker) filter(f *pb.RollupFilter) (out store.RollupFilter) {
	if f == nil {
		c.bad("filter", "it is missing; give first_day and last_day at least")
		return out
	}
	out = store.RollupFilter{Sites: f.Sites, Stations: f.Stations, Servings: f.Servings, Drinks: f.Drinks,
		FirstDay: c.day("filter.first_day", f.FirstDay), LastDay: c.day("filter.last_day", f.LastDay)}
	if n := out.LastDay - out.FirstDay + 1; len(c.violations) == 0 && (n < 1 || n > maxDays) {
		c.bad("filter.last_day", "%s to %s is %d days; allowed are 1 to %d", f.FirstDay, f.LastDay, n, maxDays)
	}
	for _, list := range []struct {
		field  string
		values []string
	}{{"sites", f.Sites}, {"stations", f.Stations}, {"servings", f.Servings}, {"drinks", f.Drinks}} {
		if len(list.values) > maxListed {
			c.bad("filter."+list.field, "%d values are not allowed; give at most %d", len(list.values), maxListed)
		}
	}
	for i, s := range f.Stations {
		if site, station, ok := strings.Cut(s, "/"); !ok || site == "" || station == "" {
			c.bad(fmt.Sprintf("filter.stations[%d]", i), "%q is not a station; write it as site/station", s)
		}
	}
	switch {
	case f.TimeZone != "":
		cal, err := rollup.NewCalendar(f.TimeZone, int(f.DayStartHour))
		if err != nil {
			c.bad("filter.time_zone", "%v", err)
		}
		out.Calendar = &cal
	case f.DayStartHour != 0:
		c.bad("filter.day_start_hour", "%d without a time_zone is not allowed; give the zone too, or neither for each site's own calendar", f.DayStartHour)
	}
	return out
}

var spans = map[pb.RollupDimension]store.Span{
	pb.RollupDimension_ROLLUP_DIMENSION_HOUR:         store.SpanHour,
	pb.RollupDimension_ROLLUP_DIMENSION_DAY:          store.SpanDay,
	pb.RollupDimension_ROLLUP_DIMENSION_WEEK:         store.SpanWeek,
	pb.RollupDimension_ROLLUP_DIMENSION_MONTH:        store.SpanMonth,
	pb.RollupDimension_ROLLUP_DIMENSION_HOUR_OF_DAY:  store.SpanHourOfDay,
	pb.RollupDimension_ROLLUP_DIMENSION_HOUR_OF_WEEK: store.SpanHourOfWeek,
}

func (c *checker) groups(req *pb.QueryRollupsRequest, q *store.RollupQuery) (byCheck bool) {
	for i, d := range req.GroupBy {
		field := fmt.Sprintf("group_by[%d]", i)
		switch d {
		case pb.RollupDimension_ROLLUP_DIMENSION_SITE:
			q.BySite = true
		case pb.RollupDimension_ROLLUP_DIMENSION_STATION:
			q.ByStation = true
		case pb.RollupDimension_ROLLUP_DIMENSION_SERVING:
			q.ByServing = true
		case pb.RollupDimension_ROLLUP_DIMENSION_DRINK:
			q.ByDrink = true
		case pb.RollupDimension_ROLLUP_DIMENSION_CHECK:
			byCheck = true
		default:
			span, ok := spans[d]
			switch {
			case !ok:
				c.bad(field, "%v is not a dimension; see RollupDimension", d)
			case q.Span != store.SpanAll && q.Span != span:
				c.bad(field, "%v is the second dimension of time; allowed is one", d)
			}
			q.Span = span
		}
	}
	switch {
	case byCheck && req.Findings:
		c.bad("findings", "findings are counted by build, not by check; ask without ROLLUP_DIMENSION_CHECK")
	case !byCheck && len(req.Checks) > 0:
		c.bad("checks", "checks need ROLLUP_DIMENSION_CHECK in group_by")
	case !byCheck && len(req.Quantiles) > 0:
		c.bad("quantiles", "quantiles need ROLLUP_DIMENSION_CHECK in group_by")
	}
	if len(req.Quantiles) > maxQuantiles {
		c.bad("quantiles", "%d are not allowed; ask for at most %d", len(req.Quantiles), maxQuantiles)
	}
	for i, v := range req.Quantiles {
		if !(v >= 0 && v <= 1) {
			c.bad(fmt.Sprintf("quantiles[%d]", i), "%v is not allowed; give a rank from 0 to 1", v)
		}
	}
	return byCheck
}

func (s *insightServer) QueryRollups(ctx context.Context, req *pb.QueryRollupsRequest) (*pb.QueryRollupsResponse, error) {
	var c checker
	q := store.RollupQuery{RollupFilter: c.filter(req.Filter), Checks: req.Checks}
	byCheck := c.groups(req, &q)
	q.Detail = byCheck || req.Findings
	limit := c.page(req.PageSize, defaultRows, maxRows)
	of, err := digest(&pb.QueryRollupsRequest{Filter: req.Filter, GroupBy: req.GroupBy, Checks: req.Checks,
		Quantiles: req.Quantiles, Findings: req.Findings})
	if err != nil {
		return nil, err
	}
	after := c.token(req.PageToken, of)
	if err := c.err(); err != nil {
		return nil, err
	}
	res := new(pb.QueryRollupsResponse)
	// Before the figures, so that what they lack is never told too small.
	if res.PendingBuilds, res.PendingHours, err = s.service.store.PendingRollups(ctx); err != nil {
		return nil, err
	}
	groups, err := s.service.store.QueryRollups(ctx, q)
	if err != nil {
		return nil, err
	}
	w := rowWriter{q: &q, byCheck: byCheck, quantiles: req.Quantiles, findings: req.Findings}
	more := w.rows(groups, after, req.PageToken != "", limit)
	res.Rollups = w.out
	if more {
		w.last.Of = of
		res.NextPageToken, err = w.last.encode()
	}
	return res, err
}

func (s *insightServer) SetSiteCalendar(ctx context.Context, req *pb.SetSiteCalendarRequest) (*pb.SetSiteCalendarResponse, error) {
	var c checker
	if req.Site == "" {
		c.bad("site", "it is empty; give a site's id, such as tannery-row")
	}
	if _, err := rollup.NewCalendar(req.TimeZone, int(req.DayStartHour)); err != nil {
		c.bad("time_zone", "%v", err)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	return new(pb.SetSiteCalendarResponse), s.service.SetSiteCalendar(ctx, req.Site, req.TimeZone, int(req.DayStartHour))
}

// SetSiteCalendar tells in which zone of the IANA data base a site's business
// days are counted, and at which hour of the clock, 0 to 12, one begins. Until
// it was told, it is UTC from midnight. Telling the same again costs nothing.
func (s *Service) SetSiteCalendar(ctx context.Context, site, zone string, dayStart int) error {
	return s.store.SetCalendar(ctx, site, zone, dayStart)
}
