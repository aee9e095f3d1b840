package demo

import (
	"context"
	"fmt"
	"os"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/sim"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Result is what a simulated shift proves.
type Result struct {
	BuildsMade         int     `json:"builds_made"`
	BuildsLogged       int     `json:"builds_logged"`
	BuildsCounted      int     `json:"builds_counted"`
	Lost               int     `json:"lost"`
	Duplicated         int     `json:"duplicated"`
	DeviationsTrue     int     `json:"deviations_true"`
	DeviationsReported int     `json:"deviations_reported"`
	Missed             int     `json:"missed"`
	False              int     `json:"false"`
	Stations           int     `json:"stations"`
	Release            uint64  `json:"release"`
	Seconds            float64 `json:"seconds"`

	// Troubles tells of faults that the numbers above do not carry, a line
	// each, and names the builds behind those that they do.
	Troubles []string `json:"-"`
}

// Proven reports whether every build counted once and every deviation, and
// nothing else, was reported.
func (r *Result) Proven() bool {
	return r.Lost == 0 && r.Duplicated == 0 && r.Missed == 0 && r.False == 0 &&
		r.BuildsMade == r.BuildsLogged && r.BuildsLogged == r.BuildsCounted && len(r.Troubles) == 0
}

// String tells the result in a sentence.
func (r *Result) String() string {
	return fmt.Sprintf("%d builds made at %d stations, %d logged, %d counted; %d lost, %d duplicated; %d of %d deviations missed, %d false; release %d; %.1f s",
		r.BuildsMade, r.Stations, r.BuildsLogged, r.BuildsCounted, r.Lost, r.Duplicated, r.Missed, r.DeviationsTrue, r.False, r.Release, r.Seconds)
}

func (r *Result) trouble(format string, args ...any) {
	const most = 20 // enough to start looking; a broken chain has thousands
	if len(r.Troubles) < most {
		r.Troubles = append(r.Troubles, fmt.Sprintf(format, args...))
	}
}

// before is what the centre held before the shift, on data that were kept.
type before struct {
	counted uint64
	listed  map[string]int
}

// look takes down what the centre says now.
func look(ctx context.Context, q pb.QualityServiceClient) (before, *pb.GetIntakeResponse, error) {
	in, err := q.GetIntake(ctx, &pb.GetIntakeRequest{})
	if err != nil {
		return before{}, nil, fmt.Errorf("ask for the intake: %w", err)
	}
	b := before{listed: make(map[string]int)}
	for _, s := range in.GetStations() {
		b.counted += s.GetBuilds()
	}
	for token := ""; ; {
		page, err := q.ListDeviations(ctx, &pb.ListDeviationsRequest{PageSize: 1000, PageToken: token})
		if err != nil {
			return before{}, nil, fmt.Errorf("list deviations: %w", err)
		}
		for _, d := range page.GetDeviations() {
			b.listed[d.GetBuild().GetId()]++
		}
		if token = page.GetNextPageToken(); token == "" {
			return b, in, nil
		}
	}
}

// score holds what the centre says against the truth. It is the only reader
// of the truth file.
func score(ctx context.Context, c *chain, old before, truthPath string, logged []string, r *Result) error {
	now, in, err := look(ctx, c.quality)
	if err != nil {
		return err
	}
	r.BuildsLogged = len(logged)
	r.BuildsCounted = int(now.counted - old.counted)
	held, err := c.held(ctx, logged)
	if err != nil {
		return err
	}
	there := 0
	for i, id := range logged {
		if held[i] {
			there++
			continue
		}
		r.Lost++
		r.trouble("lost: build %s was acknowledged and is not at the centre", id)
	}
	if extra := r.BuildsCounted - there; extra > 0 {
		r.Duplicated += extra
		r.trouble("duplicated: the centre counts %d builds more than there are ids", extra)
	}
	f, err := os.Open(truthPath)
	if err != nil {
		return fmt.Errorf("open the truth file: %w", err)
	}
	defer f.Close()
	truths, err := sim.ReadTruth(f)
	if err != nil {
		return err
	}
	compare(truths, logged, now.listed, old.listed, r)
	for _, s := range in.GetStations() {
		if s.GetDisputed() > 0 || s.GetChainBrokenAt() > 0 || s.GetAwaitingRelease() > 0 {
			r.trouble("station %s/%s: %d verdicts disputed, chain broken at %d (0 is never), %d builds without their release",
				s.GetSite(), s.GetStation(), s.GetDisputed(), s.GetChainBrokenAt(), s.GetAwaitingRelease())
		}
	}
	if n := in.GetQuarantined(); n > 0 {
		r.trouble("the centre set %d unreadable messages aside", n)
	}
	return nil
}

// compare counts what was missed and what was made up among the builds of
// this shift.
func compare(truths []sim.Truth, logged []string, listed, old map[string]int, r *Result) {
	byID := make(map[string]sim.Truth, len(truths))
	for _, t := range truths {
		byID[t.BuildID] = t
	}
	for _, id := range logged {
		t := byID[id]
		if t.Deviates {
			r.DeviationsTrue++
		}
		switch n := listed[id]; {
		case t.Deviates && n == 0:
			r.Missed++
			r.trouble("missed: %s in build %s (%s, %s)", t.Fault, id, t.Serving, t.Site)
		case !t.Deviates && n > 0:
			r.False++
			r.trouble("false: sound build %s (%s, %s) is reported", id, t.Serving, t.Site)
		}
	}
	for id, n := range listed {
		if old[id] > 0 {
			continue
		}
		r.DeviationsReported += n
		if n > 1 {
			r.Duplicated += n - 1
			r.trouble("duplicated: deviation of build %s is listed %d times", id, n)
		}
		if _, known := byID[id]; !known {
			r.False++
			r.trouble("false: build %s is reported and was never made", id)
		}
	}
}

// held asks the centre for each build by its id.
func (c *chain) held(ctx context.Context, ids []string) ([]bool, error) {
	held := make([]bool, len(ids))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(8)
	for i, id := range ids {
		g.Go(func() error {
			_, err := c.quality.GetBuild(ctx, &pb.GetBuildRequest{Id: id})
			switch status.Code(err) {
			case codes.OK:
				held[i] = true
			case codes.NotFound:
			default:
				return fmt.Errorf("ask for build %s: %w", id, err)
			}
			return nil
		})
	}
	return held, g.Wait()
}
