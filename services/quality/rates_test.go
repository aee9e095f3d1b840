package quality

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func hot(b *drink.Build) {
	for i := range b.Readings {
		if b.Readings[i].Check == "milk_temp" {
			b.Readings[i].Value = 75_000
		}
	}
}

func TestRatesCountACorrectionOnceAndWaitForTheRelease(t *testing.T) {
	r := newRig(t)
	r.start()
	b, other := newBar(t, "tannery-row", "bar-1"), newBar(t, "lantern-hill", "bar-1")
	r.builds(b, b.log(nil), b.log(fast), b.log(hot), b.log(nil))
	r.builds(other, other.log(fast))
	ask := func(sites ...string) *pb.GetRatesResponse {
		t.Helper()
		res, err := r.client.GetRates(t.Context(), &pb.GetRatesRequest{Sites: sites,
			SinceTime: timestamppb.New(verdict.ExemplarStart.Add(-time.Minute)), UntilTime: timestamppb.New(verdict.ExemplarStart.Add(time.Minute))})
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	becomes := func(want *pb.GetRatesResponse, sites ...string) {
		t.Helper()
		eventually(t, func() string { return cmp.Diff(want, ask(sites...), protocmp.Transform()) })
	}
	becomes(&pb.GetRatesResponse{Awaiting: 4}, "tannery-row")
	r.publishRelease(1)
	becomes(&pb.GetRatesResponse{Builds: 4, Deviations: 2, Safety: 1}, "tannery-row")
	becomes(&pb.GetRatesResponse{Builds: 5, Deviations: 3, Safety: 1}, "tannery-row", "lantern-hill", "oyster-steps")
	// The slip of a hand is set right; the number of builds stays.
	r.builds(b, b.log(func(d *drink.Build) { d.Corrects = "tannery-row/bar-1/00000002" }))
	becomes(&pb.GetRatesResponse{Builds: 4, Deviations: 1, Safety: 1}, "tannery-row")
	builds, deviations, safety, err := r.svc.Rates(t.Context(), []string{"tannery-row"}, verdict.ExemplarStart, verdict.ExemplarStart.Add(time.Millisecond))
	if err != nil || builds != 4 || deviations != 1 || safety != 1 {
		t.Errorf("in the very millisecond: %d, %d, %d, %v; want 4, 1, 1", builds, deviations, safety, err)
	}
	if builds, _, _, err = r.svc.Rates(t.Context(), []string{"tannery-row"}, verdict.ExemplarStart.Add(time.Millisecond), verdict.ExemplarStart.Add(time.Hour)); err != nil || builds != 0 {
		t.Errorf("after it: %d, %v", builds, err)
	}
}

func TestGetRatesRefusesWhatItCannotAnswer(t *testing.T) {
	r := newRig(t)
	r.start()
	at := func(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(verdict.ExemplarStart.Add(d)) }
	for name, c := range map[string]struct {
		req   *pb.GetRatesRequest
		field string
	}{
		"no sites":     {&pb.GetRatesRequest{SinceTime: at(0), UntilTime: at(1)}, "sites"},
		"too many":     {&pb.GetRatesRequest{Sites: make([]string, maxRateSites+1), SinceTime: at(0), UntilTime: at(1)}, "sites"},
		"a site twice": {&pb.GetRatesRequest{Sites: []string{"a", "b", "a"}, SinceTime: at(0), UntilTime: at(1)}, "sites[2]"},
		"no beginning": {&pb.GetRatesRequest{Sites: []string{"a"}, UntilTime: at(1)}, "since_time"},
		"no end":       {&pb.GetRatesRequest{Sites: []string{"a"}, SinceTime: at(1)}, "until_time"},
		"backwards":    {&pb.GetRatesRequest{Sites: []string{"a"}, SinceTime: at(1), UntilTime: at(0)}, "until_time"},
		"far too long": {&pb.GetRatesRequest{Sites: []string{"a"}, SinceTime: at(0), UntilTime: at(maxRateSpan + 1)}, "until_time"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := r.client.GetRates(t.Context(), c.req)
			if status.Code(err) != codes.InvalidArgument || !slices.Equal(fieldsOf(err), []string{c.field}) {
				t.Errorf("%v with the fields %q; want INVALID_ARGUMENT of %s", err, fieldsOf(err), c.field)
			}
		})
	}
}
