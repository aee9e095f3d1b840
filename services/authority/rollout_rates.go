package authority

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

const (
	// wavePast is how far back the reference of a wave's own past reaches: four
	// weeks, so that each weekday is in it as often. Our choice; no source.
	wavePast = 28 * 24 * time.Hour
	// waveBatch is the longest stretch that one batch of the test covers.
	waveBatch = 24 * time.Hour
	// ratesWait bounds one look at the rates, since the next tick waits for it.
	ratesWait = 15 * time.Second
)

// RateSource counts builds, most often by asking quality.
type RateSource interface {
	// Rates counts the builds that began at these sites from since to before
	// until, those of them that deviated, and the safety findings among them.
	Rates(ctx context.Context, sites []string, since, until time.Time) (builds, deviations uint64, safety uint64, err error)
}

// AskQuality is a RateSource that asks a quality process.
func AskQuality(c pb.QualityServiceClient) RateSource { return remoteRates{c} }

type remoteRates struct{ quality pb.QualityServiceClient }

func (r remoteRates) Rates(ctx context.Context, sites []string, since, until time.Time) (builds, deviations, safety uint64, err error) {
	got, err := r.quality.GetRates(ctx, &pb.GetRatesRequest{Sites: sites, SinceTime: timestamppb.New(since), UntilTime: timestamppb.New(until)})
	if err != nil {
		return 0, 0, 0, fmt.Errorf("ask quality: %w", err)
	}
	return got.Builds, got.Deviations, got.Safety, nil
}

// waveWatch holds the last word of the sequential test on the rollout on its
// way.
type waveWatch struct {
	mu     sync.Mutex
	source RateSource
	last   map[uint64]dated
	busy   bool
	// course of the rollout on its way as the store has it; whoever began a look
	// has it alone.
	course map[uint64][]store.WavePoint
}

type dated struct {
	report stat.WaveReport
	at     time.Time
}

// WatchRates has the waves watched at each tick, as Config.Rates does, for a
// source that can be had only once the authority is open. Call it at most once,
// before Run; nil watches nothing.
func (s *Service) WatchRates(source RateSource) {
	if source == nil {
		return
	}
	s.office.waves.source = source
	s.onTick = append(s.onTick, s.watchWaves)
}

func (w *waveWatch) latest(edition uint64) (stat.WaveReport, time.Time, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	d, ok := w.last[edition]
	return d.report, d.at, ok
}

func (w *waveWatch) begin() (RateSource, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.source == nil || w.busy {
		return nil, false
	}
	w.busy = true
	return w.source, true
}

func (w *waveWatch) end() { w.mu.Lock(); w.busy = false; w.mu.Unlock() }

// stretch is a span of time with the sites that followed the edition from its
// begin to its end, and those that did not.
type stretch struct {
	from, to       time.Time
	inside, others []string
}

// underWatch is the rollout that is on its way, as the test needs it.
type underWatch struct {
	edition   uint64
	openWaves int
	test      stat.WaveTest
	begin     time.Time
	inside    []string
	stretches []stretch
}

// watchWaves looks at the rates of the rollout on its way and acts on them: any
// safety finding halts it, and so does the test's advice to roll back.
func (s *Service) watchWaves(ctx context.Context, now time.Time) {
	source, ok := s.office.waves.begin()
	if !ok {
		return
	}
	defer s.office.waves.end()
	ctx, cancel := context.WithTimeout(ctx, ratesWait)
	defer cancel()
	w, ok := s.waveUnderWatch(now)
	if !ok {
		return
	}
	if err := s.judgeWave(ctx, source, w, now); err != nil && ctx.Err() == nil {
		// A rollout that cannot be watched goes on; its advice stays, and to open
		// a wave against "cannot tell yet" needs a reason.
		s.log.Warn("the rates of a rollout are not known; trying again", zap.Uint64("edition", w.edition), zap.Error(err))
	}
}

func (s *Service) waveUnderWatch(now time.Time) (w underWatch, ok bool) {
	s.view(func(st *govern.State) {
		var r govern.Rollout
		if r, ok = st.Unfinished(); !ok {
			return
		}
		starts := map[string]time.Time{}
		var all []string
		for _, site := range st.Sites() {
			all = append(all, site.ID)
			orders, _ := st.Orders(site.ID)
			for _, o := range orders {
				if o.Edition == r.Edition && !o.Start.After(now) {
					if _, has := starts[site.ID]; !has {
						starts[site.ID] = o.Start
					}
				}
			}
		}
		if ok = len(starts) > 0; ok {
			w = cutStretches(r, all, starts, now)
		}
	})
	return w, ok
}

// cutStretches cuts the time since the first site began into stretches over
// which nobody begins, none longer than a day.
func cutStretches(r govern.Rollout, all []string, starts map[string]time.Time, now time.Time) underWatch {
	w := underWatch{edition: r.Edition, openWaves: r.Open, test: r.Test}
	var cuts []time.Time
	for _, site := range all {
		if at, in := starts[site]; in {
			w.inside = append(w.inside, site)
			cuts = append(cuts, at)
		}
	}
	slices.SortFunc(cuts, time.Time.Compare)
	cuts = slices.CompactFunc(cuts, time.Time.Equal)
	w.begin = cuts[0]
	for i, from := range cuts {
		end := now
		if i+1 < len(cuts) {
			end = cuts[i+1]
		}
		var x stretch
		for _, site := range all {
			if at, in := starts[site]; in && !at.After(from) {
				x.inside = append(x.inside, site)
			} else {
				x.others = append(x.others, site)
			}
		}
		for from.Before(end) {
			x.from, x.to = from, from.Add(waveBatch)
			if x.to.After(end) {
				x.to = end
			}
			w.stretches = append(w.stretches, x)
			from = x.to
		}
	}
	return w
}

func (s *Service) judgeWave(ctx context.Context, source RateSource, w underWatch, now time.Time) error {
	var past stat.WavePast
	var err error
	if past.Builds, past.Deviations, _, err = source.Rates(ctx, w.inside, w.begin.Add(-wavePast), w.begin); err != nil {
		return fmt.Errorf("count the past: %w", err)
	}
	var batches []stat.WaveBatch
	var safety uint64
	for _, x := range w.stretches {
		var b stat.WaveBatch
		var found uint64
		if b.WaveBuilds, b.WaveDeviations, found, err = source.Rates(ctx, x.inside, x.from, x.to); err != nil {
			return fmt.Errorf("count the wave: %w", err)
		}
		if len(x.others) > 0 {
			if b.OtherBuilds, b.OtherDeviations, _, err = source.Rates(ctx, x.others, x.from, x.to); err != nil {
				return fmt.Errorf("count the other sites: %w", err)
			}
		}
		safety += found
		batches = append(batches, b)
	}
	system := govern.Call{Actor: govern.SystemActor()}
	if safety > 0 {
		// One more finding is another one: it halts a rollout that was resumed
		// after the ones before had been looked at.
		id := fmt.Sprintf("safety-%d", safety)
		text := fmt.Sprintf("%d builds with a safety finding at the sites of the open waves since %s", safety, w.begin.UTC().Format(time.RFC3339))
		if _, err := s.do(ctx, system, func(t *turn) ([]govern.Act, error) {
			return t.ReportSafety(t.Call, w.edition, id, text)
		}); err != nil {
			return fmt.Errorf("halt: %w", err)
		}
	}
	report, err := w.test.Decide(past, batches)
	if err != nil {
		return fmt.Errorf("test the wave: %w", err)
	}
	s.office.waves.keep(w.edition, report, now)
	if err := s.recordWave(ctx, w.edition, wavePoint(report, w.openWaves, now)); err != nil {
		// The advice counts all the same.
		s.log.Warn("a look at a rollout's rates is not kept", zap.Uint64("edition", w.edition), zap.Error(err))
	}
	if _, err := s.do(ctx, system, func(t *turn) ([]govern.Act, error) { return t.ReportWave(t.Call, w.edition, report) }); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

func (w *waveWatch) keep(edition uint64, r stat.WaveReport, at time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	// One rollout is on its way at a time; older words are in the ledger.
	w.last = map[uint64]dated{edition: {report: r, at: at}}
}
