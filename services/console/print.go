package console

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/report"
)

// weeksOffered is how many weeks can be chosen, a quarter; an address may name any
// other.
const weeksOffered = 13

// printPage chooses what goes on paper. Each part is a form of its own.
type printPage struct {
	// Places of a report, by kind; the chain stands before them.
	Chain  bool
	Areas  []choice
	Sites  []choice
	Weeks  []choice
	Cards  *cardChoices
	Visit  *visitChoices
	NoBook string
	// InForceAt is where the release of the cards is in force, in words.
	InForceAt string
	// Letter is the paper of the reader's country.
	Letter      bool
	Reading     string
	ReadingHref string
}

// cardChoices are what cards can be printed of.
type cardChoices struct {
	Release       uint64
	Since         string
	Drinks, Sizes []choice
	Servings      int
}

// visitChoices begin the form of a visit.
type visitChoices struct {
	Release   uint64
	Seed, Day string
	Stations  []string
	Slots     []slotRow
}

func printShow(v *visit) (*view, error) {
	q := v.URL.Query()
	scope, err := report.ParseScope(cmp.Or(q.Get("scope"), "chain"))
	if site := q.Get("site"); site != "" {
		scope, err = report.ParseScope("site/" + site)
	}
	if err != nil {
		return nil, cannotPrint(err)
	}
	sites := v.sites()
	p := &printPage{InForceAt: "in the chain", Chain: scope == report.Scope{}, Reading: v.read.Example(), ReadingHref: readingLink(v.URL), Letter: report.SheetOf(v.read.Tag) == report.Letter}
	p.places(sites, scope)
	if scope.Site != "" {
		p.InForceAt = "at " + sites.name(scope.Site)
	}
	fresh := new(freshness)
	p.weeks(v, q.Get("week"), fresh)
	site := scope.Site
	if site == "" && len(sites.Sites) > 0 {
		site = sites.Sites[0].Id
	}
	switch b, info, err := v.bookInForce(scope.Site); {
	case isMissing(err):
		p.NoBook = stateOf(err).text + " " + stateOf(err).next
	case v.part("the book in force", err):
		p.cards(b, q.Get("drink"), q.Get("size"))
		p.Cards.Since = at(info.EffectiveTime.AsTime(), sites.zone(site), v.now)
		p.Visit = &visitChoices{Release: b.Number, Seed: newSeed(), Day: v.now.In(sites.zone(site)).AddDate(0, 0, 1).Format(time.DateOnly),
			Slots: []slotRow{{No: "1"}, {No: "2"}}}
		p.Visit.stations(v)
	}
	return &view{Title: "Print", Data: p, Fresh: fresh}, nil
}

// places are what a report can be about, and the sites by name.
func (p *printPage) places(l *siteList, scope report.Scope) {
	areas := map[string]bool{}
	for _, s := range l.Sites {
		p.Sites = append(p.Sites, choice{s.Id, l.name(s.Id), s.Id == scope.Site})
		if s.Region != "" && !areas[s.Region] {
			areas[s.Region] = true
			p.Areas = append(p.Areas, choice{"region/" + s.Region, areaName(s.Region), s.Region == scope.Region})
		}
	}
	for _, list := range [][]choice{p.Areas, p.Sites} {
		slices.SortFunc(list, func(a, b choice) int { return strings.Compare(a.Name, b.Name) })
	}
}

// areaName turns the id of a region into a name, as the report does.
func areaName(id string) string { return sentenceCase(strings.ReplaceAll(id, "-", " ")) }

// weeks are the last ones, with how many builds each has: an empty report is seen
// before it is printed. The last whole week is chosen.
func (p *printPage) weeks(v *visit, chosen string, fresh *freshness) {
	newest := report.WeekOf(dateOf(v.now))
	oldest := newest.Before(weeksOffered - 1)
	builds := map[string]int64{}
	rows, err := v.rollups(&pb.QueryRollupsRequest{Filter: span{oldest.Monday(), newest.Sunday()}.filter(), GroupBy: []pb.RollupDimension{pb.RollupDimension_ROLLUP_DIMENSION_DAY}}, fresh)
	told := v.part("how many builds each week has", err)
	for _, r := range rows {
		if day, err := time.Parse(time.DateOnly, r.Period); err == nil {
			builds[report.WeekOf(day).String()] += r.Builds.GetBuilds()
		}
	}
	chosen = cmp.Or(chosen, newest.Before(1).String())
	if w, err := report.ParseWeek(chosen); err == nil && w.Monday().Before(oldest.Monday()) {
		p.Weeks = append(p.Weeks, choice{chosen, fmt.Sprintf("Week %d of %d", w.Number, w.Year), true})
	}
	for i := range weeksOffered {
		w := newest.Before(i)
		words := fmt.Sprintf("Week %d", w.Number)
		if w.Year != newest.Year {
			words += fmt.Sprintf(" of %d", w.Year)
		}
		words += ", " + dateWords(w.Monday(), "2 Jan") + " to " + dateWords(w.Sunday(), "2 Jan")
		if told {
			words += ": " + plural(int(builds[w.String()]), "build", "builds")
		}
		if i == 0 {
			words += ", not over"
		}
		p.Weeks = append(p.Weeks, choice{w.String(), words, w.String() == chosen})
	}
}

func (p *printPage) cards(b *book, drinkID, size string) {
	c := &cardChoices{Release: b.Number, Servings: len(b.servings)}
	seen := map[string]bool{}
	for i := range b.Drinks {
		d := &b.Drinks[i]
		c.Drinks = append(c.Drinks, choice{d.ID, d.Name, d.ID == drinkID})
		for k := range d.Servings {
			if s := d.Servings[k].Size; !seen[s] {
				seen[s] = true
				c.Sizes = append(c.Sizes, choice{s, strings.ReplaceAll(s, "-", " "), s == size})
			}
		}
	}
	p.Cards = c
}

// stations are offered by their own names, which sites share.
func (p *visitChoices) stations(v *visit) {
	list, err := v.stations()
	if !v.part("the stations", err) {
		return
	}
	for _, s := range list {
		if !slices.Contains(p.Stations, s.Station) {
			p.Stations = append(p.Stations, s.Station)
		}
	}
	slices.Sort(p.Stations)
}

// isMissing says that there is no such thing, rather than that it cannot be asked.
func isMissing(err error) bool { return err != nil && stateOf(err).code == http.StatusNotFound }

// bookInForce is what counters follow now: those of a site, or where site is empty
// the newest release of the chain that has taken effect.
func (v *visit) bookInForce(site string) (*book, *pb.ReleaseInfo, error) {
	info, err := v.releaseInForce(site)
	if err != nil {
		return nil, nil, err
	}
	b, err := v.bookOf(info.Number)
	return b, info, err
}

func (v *visit) releaseInForce(site string) (*pb.ReleaseInfo, error) {
	number := uint64(0)
	if site != "" {
		list, err := v.stations()
		if err != nil {
			return nil, err
		}
		for _, s := range list {
			if s.Site == site {
				number = max(number, s.ExpectedRelease)
			}
		}
		if number == 0 {
			return nil, &stateError{code: http.StatusNotFound, title: "No book is in force there", text: fmt.Sprintf("No station of %s follows a book yet.", v.sites().name(site)),
				next: "Enrol its station first, or print the cards of the whole chain.", links: []link{toPrint}}
		}
	}
	req := &pb.ListReleasesRequest{PageSize: 500}
	for {
		res, err := v.ask.books.ListReleases(v.ctx, req)
		if err != nil {
			return nil, err
		}
		for _, r := range res.Releases {
			if number > 0 && r.Number == number || number == 0 && r.Scope == "chain" && !r.EffectiveTime.AsTime().After(v.now) {
				return r, nil
			}
		}
		if req.PageToken = res.NextPageToken; req.PageToken == "" {
			return nil, &stateError{code: http.StatusNotFound, title: "No book is in force yet", text: "The counters have nothing to follow, so there are no cards and no drinks to audit.",
				next: "Publish the first book: samecup publish tells how.", links: []link{toPrint}}
		}
	}
}
