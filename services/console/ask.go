package console

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// knownFor is how long sites and the newest book are believed.
	knownFor = 30 * time.Second
	// maxSpan bounds the days of a page.
	maxSpan = 366
	usual   = 28
	// maxRows of figures go into one page; beyond it the page says so.
	maxRows = 30_000
	// pageRows is the most rows of one answer.
	pageRows = 10_000
)

// siteCache remembers the sites.
type siteCache struct {
	mu   sync.Mutex
	at   time.Time
	list *siteList
}

// siteList is every site, with its clock.
type siteList struct {
	Sites []*pb.Site
	by    map[string]*pb.Site
	zones map[string]*time.Location
}

// name of a site as people call it.
func (l *siteList) name(id string) string {
	if s := l.by[id]; s != nil && s.Name != "" {
		return s.Name
	}
	return id
}

// zone of a site; UTC where it is not known.
func (l *siteList) zone(id string) *time.Location {
	if z := l.zones[id]; z != nil {
		return z
	}
	return time.UTC
}

func (l *siteList) names(ids []string) string {
	out := make([]string, 0, len(ids))
	for i, id := range ids {
		if i == 4 && len(ids) > 5 {
			return strings.Join(out, ", ") + fmt.Sprintf(" and %d more", len(ids)-i)
		}
		out = append(out, l.name(id))
	}
	return listWords(out)
}

// sites are those of the fleet. Where the authority is away, what was last known
// is used: names are no reason to be without figures.
func (v *visit) sites() *siteList {
	c := &v.c.sites
	c.mu.Lock()
	known, age := c.list, v.now.Sub(c.at)
	c.mu.Unlock()
	if known != nil && age >= 0 && age < knownFor {
		return known
	}
	l, err := v.askSites()
	if err != nil {
		v.part("the names of sites", err)
		return cmp.Or(known, l)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.list, c.at = l, v.now
	return l
}

// askSites asks the authority; with an error the list is empty and can be used.
func (v *visit) askSites() (*siteList, error) {
	l := &siteList{by: map[string]*pb.Site{}, zones: map[string]*time.Location{}}
	req := &pb.ListSitesRequest{PageSize: 1000}
	for {
		res, err := v.ask.fleet.ListSites(v.ctx, req)
		if err != nil {
			return l, err
		}
		for _, s := range res.Sites {
			l.Sites, l.by[s.Id] = append(l.Sites, s), s
			if z, err := time.LoadLocation(s.TimeZone); err == nil {
				l.zones[s.Id] = z
			}
		}
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return l, nil
		}
	}
}

// books are the releases read so far.
type books struct {
	mu     sync.Mutex
	by     map[uint64]*book
	newest *book
	at     time.Time
}

// book is a release's book.
type book struct {
	*drink.Book
	Number   uint64
	servings map[string]*drink.Serving
	// measures by check id, where all servings agree.
	measures map[string]*drink.Measure
}

func (b *book) serving(id string) *drink.Serving {
	if b == nil {
		return nil
	}
	return b.servings[id]
}

// measure of a check; nil where neither the book nor the table of measures
// knows it.
func (b *book) measure(check string) *drink.Measure {
	if b != nil && b.measures[check] != nil {
		return b.measures[check]
	}
	return drink.MeasureByCode(check)
}

func (b *book) check(serving, id string) *drink.Check {
	if s := b.serving(serving); s != nil {
		for i := range s.Checks {
			if s.Checks[i].ID == id {
				return &s.Checks[i]
			}
		}
	}
	return nil
}

// maxBooks read are kept.
const maxBooks = 64

// newestBook is the chain's newest book.
func (v *visit) newestBook() (*book, error) {
	c := &v.c.books
	c.mu.Lock()
	if c.newest != nil && v.now.Sub(c.at) < knownFor && v.now.Sub(c.at) >= 0 {
		defer c.mu.Unlock()
		return c.newest, nil
	}
	c.mu.Unlock()
	res, err := v.ask.books.ListReleases(v.ctx, &pb.ListReleasesRequest{PageSize: 100})
	if err != nil {
		return nil, err
	}
	for _, r := range res.Releases {
		if r.Scope != "chain" {
			continue
		}
		b, err := v.bookOf(r.Number)
		if err != nil {
			return nil, err
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		c.newest, c.at = b, v.now
		return b, nil
	}
	return nil, &stateError{code: http.StatusNotFound, title: "No book was published yet", text: "The counters have nothing to follow, so there is nothing to show.",
		next: "Publish the first book: samecup publish tells how."}
}

// bookOf reads the book of a release; the authority has verified it.
func (v *visit) bookOf(number uint64) (*book, error) {
	c := &v.c.books
	c.mu.Lock()
	b := c.by[number]
	c.mu.Unlock()
	if b != nil {
		return b, nil
	}
	res, err := v.ask.books.GetRelease(v.ctx, &pb.GetReleaseRequest{Number: number})
	if err != nil {
		return nil, err
	}
	var rel pb.Release
	if err := proto.Unmarshal(res.GetEnvelope().GetPayload(), &rel); err != nil {
		return nil, fmt.Errorf("read release %d: %w", number, err)
	}
	read, err := wire.BookFromProto(rel.Book)
	if err != nil {
		return nil, fmt.Errorf("read the book of release %d: %w", number, err)
	}
	b = newBook(read, number)
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.by == nil || len(c.by) >= maxBooks {
		c.by = map[uint64]*book{}
	}
	c.by[number] = b
	return b, nil
}

// span is the business days that a page looks at, both included.
type span struct{ From, To time.Time }

func (s span) Days() int     { return int(s.To.Sub(s.From).Hours()/24+0.5) + 1 }
func (s span) First() string { return s.From.Format(time.DateOnly) }
func (s span) Last() string  { return s.To.Format(time.DateOnly) }
func (s span) Words() string {
	if s.From.Equal(s.To) {
		return dateWords(s.From, "2 January 2006")
	}
	return dateWords(s.From, "2 January") + " to " + dateWords(s.To, "2 January 2006")
}

// day finds a day's place in the span from 0.
func (s span) day(period string) int {
	t, err := time.Parse(time.DateOnly, period)
	if err != nil {
		return -1
	}
	return int(t.Sub(s.From).Hours()/24 + 0.5)
}

// span reads from and to; without them it is the usual days up to today.
func (v *visit) span() (span, error) {
	q := v.URL.Query()
	today := dateOf(v.now)
	s := span{To: today}
	var err error
	if t := q.Get("to"); t != "" {
		if s.To, err = time.Parse(time.DateOnly, t); err != nil {
			return s, badRequest("The last day", fmt.Sprintf("%q is not a date", t), "write it as 2026-11-02")
		}
	}
	s.From = s.To.AddDate(0, 0, 1-usual)
	if f := q.Get("from"); f != "" {
		if s.From, err = time.Parse(time.DateOnly, f); err != nil {
			return s, badRequest("The first day", fmt.Sprintf("%q is not a date", f), "write it as 2026-11-02")
		}
	}
	if n := s.Days(); n < 1 || n > maxSpan {
		return s, badRequest("The days", fmt.Sprintf("from %s to %s are not a span of 1 to %d", s.First(), s.Last(), maxSpan), "choose others")
	}
	return s, nil
}

func dateOf(t time.Time) time.Time {
	y, m, d := t.UTC().Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

func (s span) filter() *pb.RollupFilter {
	return &pb.RollupFilter{FirstDay: s.First(), LastDay: s.Last()}
}

// freshness says what figures do not hold yet.
type freshness struct {
	Pending, Hours int64
	// Cut is set where there were more rows than one page shows.
	Cut bool
}

// Stale says that figures are so far behind that it should be said first.
func (f *freshness) Stale() bool { return f != nil && f.Pending > 500 }

func (f *freshness) Words() string {
	if f == nil || f.Pending == 0 && f.Hours == 0 {
		return ""
	}
	return fmt.Sprintf("%s builds that were counted are not in these figures yet", count(f.Pending))
}

// rollups asks for figures and adds to fresh, which may be nil.
func (v *visit) rollups(req *pb.QueryRollupsRequest, fresh *freshness) ([]*pb.Rollup, error) {
	req.PageSize = pageRows
	var out []*pb.Rollup
	for {
		res, err := v.ask.insight.QueryRollups(v.ctx, req)
		if err != nil {
			return nil, err
		}
		out = append(out, res.Rollups...)
		if fresh != nil {
			fresh.Pending, fresh.Hours = max(fresh.Pending, res.PendingBuilds), max(fresh.Hours, res.PendingHours)
		}
		if res.NextPageToken == "" {
			return out, nil
		}
		if len(out) >= maxRows {
			if fresh != nil {
				fresh.Cut = true
			}
			return out, nil
		}
		req.PageToken = res.NextPageToken
	}
}

// judged are the builds that have a verdict, bad those that are off spec or
// unsafe. What cannot be confirmed is judged and not bad.
func judged(c *pb.BuildCounts) (bad, n int64) {
	return c.GetOffSpec() + c.GetUnsafe(), c.GetBuilds() - c.GetAwaitingRelease()
}

// buildsLink leads to the builds beneath a figure.
func buildsLink(s span, pairs ...string) string {
	q := url.Values{"from": {s.First()}, "to": {s.Last()}}
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			q.Set(pairs[i], pairs[i+1])
		}
	}
	return "/builds?" + q.Encode()
}

func stationLink(site, station, day string) string {
	p := "/stations/" + url.PathEscape(site) + "/" + url.PathEscape(station)
	if day != "" {
		p += "?day=" + url.QueryEscape(day)
	}
	return p
}

func drinkLink(serving string) string {
	return (&url.URL{Path: "/drinks/" + serving}).EscapedPath()
}

func buildLink(id string) string { return (&url.URL{Path: "/builds/" + id}).EscapedPath() }

func caseLink(id string) string { return "/cases/" + url.PathEscape(id) }

// servingWords is a serving as people say it: "latte, m, oat".
func (b *book) servingWords(id string) string {
	s := b.serving(id)
	if s == nil {
		return strings.ReplaceAll(id, "/", ", ")
	}
	out := cmp.Or(s.DrinkName, s.Drink) + ", " + s.Size
	if s.Milk != "" {
		milk := s.Milk
		if in, ok := b.IngredientByID(s.Milk); ok && in.Name != "" {
			milk = strings.ToLower(in.Name)
		}
		out += ", " + milk
	}
	return out
}

// measureOrder sorts measures as their table has them.
func measureOrder(code string) int {
	i := slices.IndexFunc(drink.Measures, func(m drink.Measure) bool { return m.Code == code })
	if i < 0 {
		return len(drink.Measures)
	}
	return i
}

// newBook indexes a book; number is 0 for one that is no release yet.
func newBook(read *drink.Book, number uint64) *book {
	b := &book{Book: read, Number: number, servings: map[string]*drink.Serving{}, measures: map[string]*drink.Measure{}}
	all := read.Servings()
	for i := range all {
		s := &all[i]
		b.servings[s.ID] = s
		for k := range s.Checks {
			b.measures[s.Checks[k].ID] = drink.MeasureByCode(s.Checks[k].Measure)
		}
	}
	return b
}
