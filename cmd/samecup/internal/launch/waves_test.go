package launch

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/station"
	"samecup.example/samecup/testdata"
)

// byQuality watches the waves by a quality service on the same bus, asked over
// gRPC as one in a process of its own is.
func byQuality(ctx context.Context, c *chain, svc *authority.Service) (authority.RateSource, error) {
	q, err := c.count(ctx, svc)
	if err != nil {
		return nil, err
	}
	lis, err := rpc.ListenLoopback("127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: rpc.LoopbackOnly})
	q.Register(srv)
	c.background(ctx, func(ctx context.Context) error { return ignoreClosed(rpc.Serve(ctx, srv, lis, zap.NewNop())) })
	cc, err := rpc.Dial(lis.Addr().String())
	if err != nil {
		return nil, errors.Join(err, lis.Close())
	}
	c.undo = append(c.undo, cc.Close)
	return authority.AskQuality(pb.NewQualityServiceClient(cc)), nil
}

// waves is a small chain whose builds are real.
type waves struct {
	*season
	t *testing.T
}

func openWaves(t *testing.T, sites ...string) *waves {
	t.Helper()
	c, err := openChain(t.Context(), Options{Dir: t.TempDir(), Log: zap.NewNop()}, byQuality)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.close(); err != nil {
			t.Error(err)
		}
	})
	w := &waves{&season{chain: c, out: io.Discard}, t}
	files, err := fs.Sub(testdata.FS, "harbour-finch-counter")
	if err != nil {
		t.Fatal(err)
	}
	book, problems := drink.ReadFiles(files)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	local := w.must(w.desk(""))
	for _, site := range sites {
		if _, err := local.fleet.CreateSite(t.Context(), &pb.CreateSiteRequest{Site: siteOf(site, "thames", london)}); err != nil {
			t.Fatal(err)
		}
	}
	req := &pb.CreateReleaseRequest{RequestId: newID(), Scope: "chain", Note: "The summer book", Author: "ada"}
	for path, content := range book {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	if _, err := local.books.CreateRelease(t.Context(), req); err != nil {
		t.Fatal(err)
	}
	w.admin = w.must(w.hire(t.Context(), local, "admin", "Admin", "administrator"))
	w.ada = w.must(w.hire(t.Context(), w.admin, "ada", "Ada", "author"))
	w.ben = w.must(w.hire(t.Context(), w.admin, "ben", "Ben", "approver"))
	w.fay = w.must(w.hire(t.Context(), w.admin, "fay", "Fay", "food-safety"))
	w.flo = w.must(w.hire(t.Context(), w.admin, "flo", "Flo", "fleet-manager"))
	for _, site := range sites {
		k := &counter{site: site, dir: filepath.Join(c.dir, "stations", site)}
		code, err := w.admin.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: site, Station: "bar-1"})
		if err != nil {
			t.Fatal(err)
		}
		if err := station.Enrol(t.Context(), k.dir, w.admin.fleet, code.Code); err != nil {
			t.Fatal(err)
		}
		w.counters = append(w.counters, k)
	}
	if err := w.allOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := w.agree(t.Context()); err != nil {
		t.Fatal(err)
	}
	return w
}

func (w *waves) must(d *desk, err error) *desk {
	w.t.Helper()
	if err != nil {
		w.t.Fatal(err)
	}
	return d
}

// short is a shot that ran too fast.
func short(b *drink.Build) {
	for i := range b.Readings {
		if b.Readings[i].Check == "shot_time" {
			b.Readings[i].Value /= 2
		}
	}
}

// serve logs builds at each site, of which so many deviate, and of those some
// are corrected at once.
func (w *waves) serve(sites []string, builds, bad, corrected int) {
	w.t.Helper()
	for _, site := range sites {
		for i := range builds {
			var change func(*drink.Build)
			if i < bad+corrected {
				change = short
			}
			id := ""
			res, err := w.pourAs(w.t.Context(), site, "espresso", func(b *drink.Build) {
				id = b.ID
				if change != nil {
					change(b)
				}
			})
			if err != nil {
				w.t.Fatal(err)
			}
			if got, want := res.Verdict.Grade, pb.Grade_GRADE_IN_SPEC; change == nil && got != want || change != nil && got != pb.Grade_GRADE_OFF_SPEC {
				w.t.Fatalf("build %d at %s is %v", i, site, got)
			}
			if i >= bad && change != nil {
				if _, err := w.pourAs(w.t.Context(), site, "espresso", func(b *drink.Build) { b.Corrects = id }); err != nil {
					w.t.Fatal(err)
				}
			}
		}
	}
}

// TestAWaveWhoseBuildsDeviateHaltsByItself: real stations log builds, quality
// judges and counts them, and the authority draws the consequence.
func TestAWaveWhoseBuildsDeviateHaltsByItself(t *testing.T) {
	first, others := []string{tannery, lantern}, []string{oyster, "quillmaker-street"}
	w := openWaves(t, append(append([]string{}, first...), others...)...)
	w.serve(append(append([]string{}, first...), others...), 40, 1, 0)

	w.clock.forward(time.Hour)
	d, err := w.draft(t.Context(), "slip", "A slip", edit(latteFile, tempPath, "61 °C"))
	if err != nil {
		t.Fatal(err)
	}
	if d, err = w.propose(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	if d, _, err = w.approve(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	made, err := w.flo.rollouts.CreateRollout(t.Context(), &pb.CreateRolloutRequest{RequestId: newID(), Draft: d.Name, Waves: []*pb.Wave{{Sites: first}, {All: true}}})
	if err != nil {
		t.Fatal(err)
	}
	w.clock.forward(time.Hour)
	if err := w.agree(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := w.wantEdition(t.Context(), made.Rollout.Edition, first...); err != nil {
		t.Fatal(err)
	}
	// A good beginning: corrections of slips of the hand count for nothing.
	w.serve(others, 30, 1, 0)
	w.serve(first, 10, 0, 5)
	w.counts(made.Rollout.Name, 20, 0, 60, 2)
	early, err := w.flo.rollouts.GetRollout(t.Context(), &pb.GetRolloutRequest{Name: made.Rollout.Name})
	if err != nil || early.Rollout.State != pb.RolloutState_ROLLOUT_STATE_RUNNING {
		t.Fatalf("after ten good builds a site: %v, %v", early, err)
	}
	w.serve(first, 20, 10, 0)
	r, err := w.wantState(t.Context(), made.Rollout.Name, pb.RolloutState_ROLLOUT_STATE_HALTED, pb.WaveAdvice_WAVE_ADVICE_ROLL_BACK)
	if err != nil {
		t.Fatal(err)
	}
	t.Log(r.Reason)
	w.counts(made.Rollout.Name, 60, 20, 60, 2)
}

// counts waits until the report of a rollout counts so much in its wave and at
// the other sites.
func (w *waves) counts(name string, builds, deviations, otherBuilds, otherDeviations uint64) {
	w.t.Helper()
	want := fmt.Sprint(builds, deviations, otherBuilds, otherDeviations)
	if err := eventually(w.t.Context(), "the report counts "+want, func() (bool, error) {
		got, err := w.flo.rollouts.GetRollout(w.t.Context(), &pb.GetRolloutRequest{Name: name})
		if err != nil {
			return false, err
		}
		o := got.Rollout.GetReport().GetOtherSites()
		has := fmt.Sprint(o.GetWaveBuilds(), o.GetWaveDeviations(), o.GetReferenceBuilds(), o.GetReferenceDeviations())
		return has == want, errors.New("it counts " + has)
	}); err != nil {
		w.t.Fatal(err)
	}
}
