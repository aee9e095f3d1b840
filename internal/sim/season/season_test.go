package season_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"math"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
)

// small is a season quick enough for many runs.
func small(seed uint64, f season.Fault) season.Config {
	return season.Config{Seed: seed, Fault: f, Days: 14, Sites: 3}
}

func mustRun(t *testing.T, cfg season.Config, sink season.Sink) season.Truth {
	t.Helper()
	truth, err := season.Run(cfg, sink)
	if err != nil {
		t.Fatal(err)
	}
	return truth
}

// digest writes all that a run makes into a hash, up to a number of builds.
func digest(t *testing.T, cfg season.Config, builds int) string {
	t.Helper()
	h := sha256.New()
	n, enough := 0, errors.New("enough")
	_, err := season.Run(cfg, season.Sink{
		Build: func(b *watch.Build) error {
			if n++; n > builds {
				return enough
			}
			return write(h, "build", b)
		},
		Event: func(e watch.Event) error { return write(h, "event", e) },
	})
	if err != nil && !errors.Is(err, enough) {
		t.Fatal(err)
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}

func write(h hash.Hash, kind string, v any) error {
	_, err := fmt.Fprintf(h, "%s %+v\n", kind, v)
	return err
}

func TestTheSameSeedMakesTheSameBytes(t *testing.T) {
	for _, f := range season.Faults {
		cfg := season.Config{Seed: 7, Fault: f, Days: 8, Sites: 2, Stations: 1}
		if a, b := digest(t, cfg, math.MaxInt), digest(t, cfg, math.MaxInt); a != b {
			t.Errorf("%s: two runs of one seed differ: %s, %s", f, a, b)
		}
	}
	if digest(t, small(7, season.NoFault), 500) == digest(t, small(8, season.NoFault), 500) {
		t.Error("two seeds make the same builds")
	}
}

// The hash changes whenever the model does; write the new one down then.
func TestTheFirstBuildsAreTheOnesWrittenDown(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("other processors may round a fused multiply-add otherwise")
	}
	const golden = "9ab7f199091e9a1dbe212c73dd62fad4a08abbce6b26e865d5f1d6dd65ae817b"
	if got := digest(t, season.Config{Seed: 1}, 1000); got != golden {
		t.Errorf("the first 1000 builds of seed 1 hash to %s, want %s", got, golden)
	}
}

func TestTheStreamIsInOrderAndSound(t *testing.T) {
	clocks := map[string]time.Duration{}
	var last time.Time
	var started time.Time
	ids := map[string]bool{}
	truth := mustRun(t, small(3, season.NoFault), season.Sink{
		Truth: func(b *season.BuildTruth) error {
			if b.Started.Before(last) {
				t.Fatalf("build %s began %s, before the one told of earlier, %s", b.ID, b.Started, last)
			}
			last, started = b.Started, b.Started
			return nil
		},
		Build: func(b *watch.Build) error {
			key := b.Site + "/" + b.Station
			off := b.Started.Sub(started).Round(time.Second)
			if was, ok := clocks[key]; ok && (was-off).Abs() > time.Second {
				t.Fatalf("%s: its clock moved from %s to %s", key, was, off)
			}
			clocks[key] = off
			if ids[b.ID] {
				t.Fatalf("id %s stands twice", b.ID)
			}
			ids[b.ID] = true
			if b.Grade == 0 || b.By == "" || b.Shift.No < 1 || b.Shift.No > 2 || b.Entered.Before(b.Started) {
				t.Fatalf("build is not sound: %+v", b)
			}
			for _, r := range b.Readings {
				if !(r.Low <= r.Target && r.Target <= r.High) || r.Resolution <= 0 || math.Abs(math.Round(r.Value/r.Resolution)*r.Resolution-r.Value) > 1e-9 {
					t.Fatalf("reading is not sound: %+v", r)
				}
				if !b.Sampled && r.Measure != "shot_time" {
					t.Fatalf("%s measured in a build that was not sampled", r.Measure)
				}
			}
			return nil
		},
	})
	far := 0
	for key, off := range clocks {
		if off > 50*time.Minute {
			far++
			if key != truth.ClockOff {
				t.Errorf("%s is %s off; the truth says %s", key, off, truth.ClockOff)
			}
		}
	}
	if far != 1 {
		t.Errorf("%d tablets are an hour off, want 1", far)
	}
	if truth.Builds != len(ids) || truth.Touched != 0 {
		t.Errorf("truth counts %d builds, %d touched; want %d and 0", truth.Builds, truth.Touched, len(ids))
	}
}

// What goes in comes out: domain conservation, to 1e-9 of the drink.
func TestCupsConserveVolumeAndMass(t *testing.T) {
	if testing.Short() {
		t.Skip("long and without goroutines: the full run has it")
	}
	for seed := range uint64(6) {
		p, err := season.HeldOut(seed)
		if err != nil {
			t.Fatal(err)
		}
		if seed%2 == 0 {
			p = season.Params{}
		}
		for _, f := range []season.Fault{season.NoFault, season.CupSubstitution, season.Overstretch, season.PumpShort} {
			cfg := small(seed, f)
			cfg.Params = p
			mustRun(t, cfg, season.Sink{Truth: func(b *season.BuildTruth) error {
				sum := b.EspressoML + b.SauceML + b.WaterML + b.IceML + b.HotML + b.AirML
				if b.HotML == 0 {
					sum += b.ColdML
				}
				within := func(what string, d, of float64) {
					if !(math.Abs(d) <= 1e-9*math.Max(of, 1)) {
						t.Fatalf("seed %d %s: %s is off by %g: %+v", seed, f, what, d, *b)
					}
				}
				within("sum of parts", sum-b.FillML, b.FillML)
				if b.FillML > b.BrimML*(1+1e-12) || b.FrothMM > b.HeightMM || b.FrothML > b.FillML || b.FrothMM < 0 {
					t.Fatalf("seed %d %s: it does not fit: %+v", seed, f, *b)
				}
				if b.HotML > 0 {
					within("milk and condensate", b.ColdG+b.CondensateG-b.HotG, b.HotG)
					within("cup mass", b.EspressoG+b.SauceG+b.WaterG+b.ColdG+b.CondensateG-b.CupG, b.CupG)
				}
				for _, k := range b.Pulls[:b.N] {
					within("dissolved mass", k.EY*k.DoseG-k.TDS*k.YieldG, k.EY*k.DoseG)
				}
				return nil
			}})
		}
	}
}

func TestTruthIsReadBackAsWritten(t *testing.T) {
	var buf bytes.Buffer
	w := season.NewTruthWriter(&buf)
	var want []season.BuildTruth
	truth := mustRun(t, season.Config{Seed: 2, Fault: season.MilkLot, Days: 7, Sites: 2, Stations: 1}, season.Sink{Truth: func(b *season.BuildTruth) error {
		if len(want) < 200 {
			want = append(want, *b)
			return w.Build(b)
		}
		return nil
	}})
	if err := w.Run(truth); err != nil {
		t.Fatal(err)
	}
	var got []season.BuildTruth
	runs, err := season.ReadTruth(&buf, func(b *season.BuildTruth) error { got = append(got, *b); return nil })
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]season.Truth{truth}, runs); d != "" {
		t.Errorf("run differs:\n%s", d)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("builds differ:\n%s", d)
	}
	if _, err := season.ReadTruth(strings.NewReader(`{"run":{"sead":1}}`), nil); err == nil {
		t.Error("a field that is not known was read without an error")
	}
}

func TestConfigsThatCannotBeRun(t *testing.T) {
	bad, err := season.Default()
	if err != nil {
		t.Fatal(err)
	}
	bad.Faults.Shape = "zigzag"
	bad.Missing.Random = 2
	for _, c := range []struct {
		cfg  season.Config
		want string
	}{
		{season.Config{Days: 3}, "days: 3"},
		{season.Config{Sites: 9}, "sites: 9"},
		{season.Config{Stations: -1}, "stations: -1"},
		{season.Config{Fault: "F13"}, `fault: "F13"`},
		{season.Config{Start: time.Date(2027, 1, 1, 5, 0, 0, 0, time.UTC)}, "midnight"},
		{season.Config{Params: bad}, "faults.shape"},
		{season.Config{Params: bad}, "missing.random"},
	} {
		if _, err := season.Run(c.cfg, season.Sink{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: error %v; it must name %q", c.cfg.Days, err, c.want)
		}
	}
}

func TestASinksErrorEndsTheRun(t *testing.T) {
	stop, n := errors.New("stop"), 0
	if _, err := season.Run(season.Config{}, season.Sink{Build: func(*watch.Build) error { n++; return stop }}); !errors.Is(err, stop) || n != 1 {
		t.Errorf("error %v after %d builds, want the sink's after 1", err, n)
	}
}

func TestHeldOutSetsDifferAndAreValid(t *testing.T) {
	seen := map[string]bool{}
	for seed := range uint64(50) {
		p, err := season.HeldOut(seed)
		if err != nil {
			t.Fatal(err)
		}
		again, err := season.HeldOut(seed)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(p, again); d != "" {
			t.Fatalf("held-out set %d differs from itself:\n%s", seed, d)
		}
		if p.Shot.TailDF < 3 || p.Shot.TailDF > 8 {
			t.Errorf("set %d: tails of %d degrees of freedom, want 3 to 8", seed, p.Shot.TailDF)
		}
		data, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		seen[string(data)] = true
	}
	if len(seen) != 50 {
		t.Errorf("%d of 50 held-out sets differ", len(seen))
	}
}

// What a caller asks for must not change what happens.
func TestAskingForTheTruthChangesNothing(t *testing.T) {
	for _, f := range []season.Fault{season.MilkLot, season.PumpShort, season.ProbeDropped, season.FakePasses} {
		cfg := season.Config{Seed: 12, Fault: f, Days: 10, Sites: 2}
		bare := mustRun(t, cfg, season.Sink{})
		asked := mustRun(t, cfg, season.Sink{Truth: func(*season.BuildTruth) error { return nil }})
		if d := cmp.Diff(bare, asked); d != "" {
			t.Errorf("%s: the truth of the run differs:\n%s", f, d)
		}
	}
}

// Every label has builds to be found by in every season, held-out ones too.
func TestEveryFaultStrikes(t *testing.T) {
	if testing.Short() {
		t.Skip("long and without goroutines: the full run has it")
	}
	for seed := range uint64(3) {
		p, err := season.HeldOut(seed)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range season.Faults {
			cfg := season.Config{Seed: seed, Fault: f, Params: p, Days: 14, Sites: 2}
			if truth := mustRun(t, cfg, season.Sink{}); (truth.Touched == 0) != (f == season.NoFault) {
				t.Errorf("seed %d %s: %d builds touched", seed, f, truth.Touched)
			}
		}
	}
}
