package report

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/status"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/reading"
)

// Clients are the services that a report asks.
type Clients struct {
	Insight  pb.InsightServiceClient
	Cases    pb.CaseServiceClient
	Fleet    pb.FleetServiceClient
	Books    pb.BookServiceClient
	Rollouts pb.RolloutServiceClient
	Stops    pb.StopServiceClient
}

// NewClients asks quality and authority over their connections, which may be
// the same.
func NewClients(quality, authority grpc.ClientConnInterface) Clients {
	return Clients{
		Insight: pb.NewInsightServiceClient(quality), Cases: pb.NewCaseServiceClient(quality),
		Fleet: pb.NewFleetServiceClient(authority), Books: pb.NewBookServiceClient(authority),
		Rollouts: pb.NewRolloutServiceClient(authority), Stops: pb.NewStopServiceClient(authority),
	}
}

// Query says what to gather.
type Query struct {
	Scope Scope
	Week  Week
	Made  time.Time
	// Read is how the reader reads figures; the zero value is an en-GB reader of
	// metric units.
	Read reading.Reader
	// Progress is told what is asked for next; nil is not.
	Progress func(step string)
}

const (
	// callWait bounds one call: a page of a year's roll-ups takes under a second.
	callWait = 30 * time.Second
	pageSize = 500
	// mostCases bounds how many cases are asked for their evidence.
	mostCases = 60
	// mostSignals bounds the list of what was noticed.
	mostSignals = 5000
)

// gatherer asks for one report.
type gatherer struct {
	Clients
	ctx context.Context
	q   Query
	d   *Data
	// newest release of the chain.
	newest uint64
}

// Gather asks the services for all that a report of the week needs. A scope
// that nobody knows wraps [ErrQuery]; errors of the services keep their status, in their own words.
func Gather(ctx context.Context, c Clients, q Query) (*Data, error) {
	if q.Progress == nil {
		q.Progress = func(string) {}
	}
	g := &gatherer{Clients: c, ctx: ctx, q: q, d: &Data{Scope: q.Scope, Week: q.Week, Made: q.Made, Read: q.Read}}
	for _, step := range []struct {
		name string
		ask  func() error
	}{
		{"sites and stations", g.fleet},
		{"cases", g.cases},
		{"signals and questions", g.signals},
		{"figures of the week", g.figures},
		{"what drifted", g.drifts},
		{"the day worth a look", g.day},
		{"releases and stops", g.happened},
		{"names of drinks and ingredients", g.names},
	} {
		q.Progress(step.name)
		if err := step.ask(); err != nil {
			return nil, fmt.Errorf("report of %s, %s: ask for %s: %w", q.Scope, q.Week, step.name, said{err})
		}
	}
	return g.d, nil
}

// said is an error in the words of the service alone, with its status kept.
type said struct{ error }

func (s said) Error() string {
	if st, ok := s.error.(interface{ GRPCStatus() *status.Status }); ok {
		return st.GRPCStatus().Message()
	}
	return s.error.Error()
}

func (s said) Unwrap() error { return s.error }

// pages asks until there is no further page. call adds what it got and returns
// the next token.
func (g *gatherer) pages(call func(ctx context.Context, token string) (next string, err error)) error {
	token := ""
	for {
		next, err := g.once(func(ctx context.Context) (string, error) { return call(ctx, token) })
		if err != nil || next == "" {
			return err
		}
		token = next
	}
}

func (g *gatherer) once(call func(ctx context.Context) (string, error)) (string, error) {
	ctx, cancel := context.WithTimeout(g.ctx, callWait)
	defer cancel()
	return call(ctx)
}

func (g *gatherer) fleet() error {
	err := g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Fleet.ListSites(ctx, &pb.ListSitesRequest{PageSize: 1000, PageToken: token})
		for _, s := range res.GetSites() {
			if g.q.Scope.Site == s.Id || g.q.Scope.Region == s.Region || g.q.Scope == (Scope{}) {
				g.d.Sites = append(g.d.Sites, s)
			}
		}
		return res.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	if len(g.d.Sites) == 0 && g.q.Scope != (Scope{}) {
		return fmt.Errorf("scope %q %w: the authority knows no such %s; list them with samecup site list", g.q.Scope, ErrQuery,
			map[bool]string{true: "site", false: "region"}[g.q.Scope.Site != ""])
	}
	return g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Fleet.ListStations(ctx, &pb.ListStationsRequest{PageSize: 1000, PageToken: token})
		for _, s := range res.GetStations() {
			if g.d.holds(s.Site) {
				g.d.Stations = append(g.d.Stations, s)
			}
		}
		return res.GetNextPageToken(), err
	})
}

func (g *gatherer) cases() error {
	var open []*pb.Case
	err := g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Cases.ListCases(ctx, &pb.ListCasesRequest{PageSize: pageSize, PageToken: token})
		g.d.UnwatchedBuilds = max(g.d.UnwatchedBuilds, res.GetWaitingBuilds())
		for _, k := range res.GetCases() {
			// A question may name its site in its evidence alone.
			if k.MergedInto == "" && (len(k.Sites) == 0 || g.d.touches(k.Sites)) && g.d.openAtEnd(k) {
				open = append(open, k)
			}
		}
		return res.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	slices.SortStableFunc(open, func(a, b *pb.Case) int { return int(a.Risk) - int(b.Risk) })
	if more := len(open) - mostCases; more > 0 {
		open = open[:mostCases]
		g.d.Skipped = append(g.d.Skipped, fmt.Sprintf("%d further open cases, the least grave, are not in this report; they stand on the console's page Cases, and in samecup case list.", more))
	}
	for _, k := range open {
		_, err := g.once(func(ctx context.Context) (string, error) {
			res, err := g.Cases.GetCase(ctx, &pb.GetCaseRequest{Id: k.Id})
			if err == nil && g.d.touches(caseSites(res)) {
				g.d.Cases = append(g.d.Cases, res)
			}
			return "", err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// openAtEnd says whether a case was open when the week ended.
func (d *Data) openAtEnd(k *pb.Case) bool {
	site := ""
	if len(k.Sites) > 0 {
		site = k.Sites[0]
	}
	_, end := d.bounds(site)
	return k.OpenedTime.AsTime().Before(end) && (k.ClosedTime == nil || !k.ClosedTime.AsTime().Before(end))
}

func (g *gatherer) signals() error {
	oldest, _ := g.d.bounds("")
	oldest = oldest.AddDate(0, 0, -1) // zones differ by less than a day
	err := g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Cases.ListSignals(ctx, &pb.ListSignalsRequest{PageSize: pageSize, PageToken: token, Site: g.q.Scope.Site})
		for _, s := range res.GetSignals() {
			if s.SeenTime.AsTime().Before(oldest) {
				return "", err // newest first
			}
			in := g.d.holds(s.Site) || s.Site == "" && g.q.Scope == Scope{}
			if in && s.Kind != "question" && g.d.within(s.SeenTime.AsTime(), s.Site) {
				g.d.Signals = append(g.d.Signals, s)
			}
		}
		if len(g.d.Signals) > mostSignals {
			g.d.Skipped = append(g.d.Skipped, fmt.Sprintf("Only the newest %d signals of the week are counted.", len(g.d.Signals)))
			return "", err
		}
		return res.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Cases.ListQuestions(ctx, &pb.ListQuestionsRequest{PageSize: pageSize, PageToken: token, Site: g.q.Scope.Site})
		for _, s := range res.GetQuestions() {
			if s.SeenTime.AsTime().Before(oldest) {
				return "", err
			}
			if g.d.holds(s.Site) && g.d.within(s.SeenTime.AsTime(), s.Site) {
				g.d.Questions = append(g.d.Questions, s)
			}
		}
		return res.GetNextPageToken(), err
	})
}

func (g *gatherer) happened() error {
	err := g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Books.ListReleases(ctx, &pb.ListReleasesRequest{PageSize: pageSize, PageToken: token})
		for _, r := range res.GetReleases() {
			if g.d.Chain == "" {
				g.d.Chain = r.Chain
			}
			if r.Scope == "chain" {
				g.newest = max(g.newest, r.Number)
			}
			if g.d.reached(r.Scope) && g.d.within(r.EffectiveTime.AsTime(), "") {
				g.d.Releases = append(g.d.Releases, r)
			}
		}
		return res.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	from, to := g.d.bounds("")
	err = g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Rollouts.ListRollouts(ctx, &pb.ListRolloutsRequest{PageSize: pageSize, PageToken: token})
		for _, r := range res.GetRollouts() {
			running := r.State == pb.RolloutState_ROLLOUT_STATE_RUNNING || r.State == pb.RolloutState_ROLLOUT_STATE_HALTED
			if g.d.within(r.CreateTime.AsTime(), "") || running && r.CreateTime.AsTime().Before(to) {
				g.d.Rollouts = append(g.d.Rollouts, r)
			}
		}
		return res.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Stops.ListStops(ctx, &pb.ListStopsRequest{PageSize: pageSize, PageToken: token})
		for _, s := range res.GetStops() {
			began := s.Stop.GetCreateTime().AsTime()
			lifted := s.LiftTime != nil && s.LiftTime.AsTime().Before(from)
			if g.d.reached(s.Stop.GetScopes()...) && began.Before(to) && !lifted {
				g.d.Stops = append(g.d.Stops, s)
			}
		}
		return res.GetNextPageToken(), err
	})
}

// names finds what people call the drinks and ingredients, and what checks measure.
// Where there is no book
// yet, or it cannot be read, their ids are shown: no reason to be without a report.
func (g *gatherer) names() error {
	g.d.Names, g.d.Measures = map[string]string{}, map[string]string{}
	if g.newest == 0 {
		return nil
	}
	book, err := g.book(g.newest)
	if err != nil {
		g.d.Skipped = append(g.d.Skipped, "The book could not be read, so drinks and ingredients are named by their ids.")
		return nil
	}
	for _, d := range book.Drinks {
		g.d.Names[d.ID] = d.Name
		for i := range d.Servings {
			for _, k := range d.Servings[i].Checks {
				g.d.Measures[k.ID] = k.Measure
			}
		}
	}
	for _, i := range book.Ingredients {
		g.d.Names[i.ID] = i.Name
	}
	return nil
}
