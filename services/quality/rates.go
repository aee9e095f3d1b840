package quality

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/rollup"
)

const (
	maxRateSites = 20_000
	// maxRateSpan bounds what one question costs.
	maxRateSpan = 400 * 24 * time.Hour
)

// Rates counts the builds that began at these sites from since to before until
// and that the centre has judged, those that were off spec or unsafe, and those
// that were unsafe. A correction counts in the place of what it corrects. The
// counts are some seconds behind the intake.
func (s *Service) Rates(ctx context.Context, sites []string, since, until time.Time) (builds, deviations, safety uint64, err error) {
	c, err := s.store.CountBuilds(ctx, sites, since, until)
	if err != nil {
		return 0, 0, 0, err
	}
	r := rates(c)
	return r.Builds, r.Deviations, r.Safety, nil
}

func rates(c rollup.Counts) *pb.GetRatesResponse {
	n := func(v int64) uint64 { return uint64(max(0, v)) }
	return &pb.GetRatesResponse{Builds: n(c.Builds - c.Awaiting), Deviations: n(c.OffSpec + c.Unsafe), Safety: n(c.Unsafe), Awaiting: n(c.Awaiting)}
}

// GetRates implements [pb.QualityServiceServer].
func (s *server) GetRates(ctx context.Context, req *pb.GetRatesRequest) (*pb.GetRatesResponse, error) {
	var c checker
	if n := len(req.Sites); n == 0 || n > maxRateSites {
		c.bad("sites", "%d are named; name 1 to %d", n, maxRateSites)
	}
	seen := make(map[string]bool)
	for i, site := range req.Sites[:min(len(req.Sites), maxRateSites)] {
		if seen[site] && c.err() == nil {
			c.bad(fmt.Sprintf("sites[%d]", i), "%q stands there twice; name each site once", site)
		}
		seen[site] = true
	}
	since, until := c.instant("since_time", req.SinceTime), c.instant("until_time", req.UntilTime)
	if d := until.Sub(since); c.err() == nil && (d < 0 || d > maxRateSpan) {
		c.bad("until_time", "it is %s after since_time; allowed are 0 to %d days", d, maxRateSpan/(24*time.Hour))
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	counts, err := s.service.store.CountBuilds(ctx, req.Sites, since, until)
	if err != nil {
		return nil, err
	}
	return rates(counts), nil
}

func (c *checker) instant(field string, t *timestamppb.Timestamp) time.Time {
	if err := t.CheckValid(); err != nil {
		c.bad(field, "%v; give an instant", err)
	}
	return t.AsTime()
}
