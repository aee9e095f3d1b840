package demo

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sim"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// callDeadline bounds one try to log a build.
	callDeadline = 5 * time.Second
	// giveUp bounds all tries at one build together.
	giveUp = time.Minute
	// Every so many builds is logged twice, as by a tablet that did not hear
	// the first answer.
	twiceEvery = 17
)

// counter is one station's counter: simulated baristas who work from the
// station's own card and log what they make over gRPC.
type counter struct {
	host  *host
	bar   *sim.Bar
	truth *sim.TruthFile
	// made and logged count over all counters.
	made, logged *level

	mu sync.Mutex
	// acknowledged holds the ids that the station answered for.
	acknowledged []string
	count        int
}

func newCounter(h *host, cfg sim.Config, truth *sim.TruthFile, made, logged *level) (*counter, error) {
	cfg.Site, cfg.Station = h.site, h.station
	bar, err := sim.NewBar(cfg)
	if err != nil {
		return nil, err
	}
	return &counter{host: h, bar: bar, truth: truth, made: made, logged: logged}, nil
}

// one makes a drink and logs it until the station answers.
func (k *counter) one(ctx context.Context) error {
	if err := k.readCard(ctx); err != nil {
		return err
	}
	build, truth := k.bar.Make(time.Now())
	// The truth is written first: a build that nobody answered for is lost on
	// the counter's side, and the score must know of it.
	if err := k.truth.Write(truth); err != nil {
		return err
	}
	k.made.add(1)
	first, err := k.log(ctx, &build)
	if err != nil {
		return err
	}
	k.mu.Lock()
	k.acknowledged = append(k.acknowledged, build.ID)
	k.count++
	again := k.count%twiceEvery == 0
	k.mu.Unlock()
	k.logged.add(1)
	if !again {
		return nil
	}
	second, err := k.log(ctx, &build)
	if err != nil {
		return err
	}
	if !second.GetDuplicate() || second.GetSequence() != first.GetSequence() {
		return fmt.Errorf("build %s was logged twice: sequence %d, then %d (duplicate: %t); the same id must get the first answer",
			build.ID, first.GetSequence(), second.GetSequence(), second.GetDuplicate())
	}
	return nil
}

// ids lists the builds that the station answered for.
func (k *counter) ids() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return append([]string(nil), k.acknowledged...)
}

// readCard looks at what the station shows, as one does before making a drink.
func (k *counter) readCard(ctx context.Context) error {
	st, err := retry(ctx, func(ctx context.Context) (*pb.GetStatusResponse, error) {
		st, err := k.host.api.GetStatus(ctx, &pb.GetStatusRequest{}, grpc.WaitForReady(true))
		if err == nil && st.GetRelease() == 0 {
			err = status.Error(codes.Unavailable, "the station has no release yet")
		}
		return st, err
	})
	if err != nil {
		return fmt.Errorf("status of %s/%s: %w", k.host.site, k.host.station, err)
	}
	if st.GetRelease() == k.bar.Release() {
		return nil
	}
	list, err := retry(ctx, func(ctx context.Context) (*pb.ListServingsResponse, error) {
		return k.host.api.ListServings(ctx, &pb.ListServingsRequest{}, grpc.WaitForReady(true))
	})
	if err != nil {
		return fmt.Errorf("servings of %s/%s: %w", k.host.site, k.host.station, err)
	}
	book, err := wire.BookFromProto(&pb.Book{Servings: list.GetServings()})
	if err != nil {
		return fmt.Errorf("servings of %s/%s: %w", k.host.site, k.host.station, err)
	}
	var servings []drink.Serving
	for i := range book.Drinks {
		servings = append(servings, book.Drinks[i].Servings...)
	}
	return k.bar.Use(list.GetRelease(), servings)
}

// log logs one build, again and again under the same id while the station is
// away.
func (k *counter) log(ctx context.Context, b *drink.Build) (*pb.LogBuildResponse, error) {
	res, err := retry(ctx, func(ctx context.Context) (*pb.LogBuildResponse, error) {
		return k.host.api.LogBuild(ctx, &pb.LogBuildRequest{Build: wire.BuildToProto(b)}, grpc.WaitForReady(true))
	})
	if err != nil {
		return nil, fmt.Errorf("log build %s (%s) at %s/%s: %w", b.ID, b.Serving, k.host.site, k.host.station, err)
	}
	return res, nil
}

// retry calls until it succeeds, the server refuses for good, or too long has
// passed. Only for calls that may be repeated.
func retry[T any](ctx context.Context, call func(context.Context) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, giveUp, fmt.Errorf("no answer within %s", giveUp))
	defer cancel()
	for pause := 10 * time.Millisecond; ; pause = min(2*pause, 500*time.Millisecond) {
		try, done := context.WithTimeout(ctx, callDeadline)
		res, err := call(try)
		done()
		if err == nil || !passing(err) {
			return res, err
		}
		select {
		case <-ctx.Done():
			return res, errors.Join(context.Cause(ctx), err)
		case <-time.After(pause + rand.N(pause)):
		}
	}
}

// passing tells errors that a later try may not meet.
func passing(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled, codes.Aborted, codes.ResourceExhausted:
		return true
	}
	return false
}
