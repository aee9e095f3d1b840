package bar

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestADamagedDatabaseIsSetAside(t *testing.T) {
	r := setUp(t)
	l := r.measured("latte/mug", 29_000)
	r.must(r.bar.Close())
	r.must(os.WriteFile(filepath.Join(r.Dir, databaseFile), []byte(strings.Repeat("no database. ", 1000)), 0o600))
	r.openBar()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if d.Builds != 1 || r.state().Last.ID != l.ID {
		t.Errorf("the day was not read back from the log: %+v", d)
	}
	left, err := filepath.Glob(filepath.Join(r.Dir, databaseFile+".damaged-*"))
	if err != nil || len(left) != 1 {
		t.Errorf("%v %v", left, err)
	}
}

func TestWhoWatchesIsTold(t *testing.T) {
	r := setUp(t)
	for _, tap := range []func(){
		func() { r.begin("latte/mug") },
		func() { r.enter(r.state().Open.ID, "yield", 1, 40_000) },
		func() { r.finish(r.state().Open.ID) },
		func() { r.must(r.bar.SetPerson(t.Context(), "b-17")) },
	} {
		watch := r.bar.Watch()
		tap()
		select {
		case <-watch:
		default:
			t.Error("a tap was not told")
		}
	}
	// The first look finds that the log grew; the next finds nothing.
	r.tick()
	watch := r.bar.Watch()
	r.tick()
	select {
	case <-watch:
		t.Error("told of nothing")
	default:
	}
}

// A full disk refuses a tap, keeps what was confirmed, and takes taps again when
// there is room.
func TestAFullDiskRefusesTapsAndLosesNone(t *testing.T) {
	r := setUp(t)
	o := r.begin("latte/mug")
	r.enter(o.ID, "yield", 1, 40_000)
	limit := func(pages int) {
		t.Helper()
		// What is in the write-ahead log would take pages beyond the limit.
		if _, err := r.bar.db.db.Write.Exec("PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
			t.Fatal(err)
		}
		if _, err := r.bar.db.db.Write.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
			t.Fatal(err)
		}
	}
	limit(1) // as many as there are
	var err error
	why := strings.Repeat("no room ", 20)
	for range 1000 {
		if err = r.bar.change(t.Context(), o.ID, func(o *openState, _ *drink.Serving) error {
			o.Notes = append(o.Notes, why, why, why)
			return nil
		}); err != nil {
			break
		}
	}
	r.refused(err, "disk")
	shown := r.state().Open
	limit(1 << 20)
	r.restart()
	if now := r.state().Open; len(now.Notes) != len(shown.Notes) || len(now.Readings) != 1 {
		t.Fatalf("%d notes and %d readings, shown were %d", len(now.Notes), len(now.Readings), len(shown.Notes))
	}
	r.finish(o.ID)
}

// A build that another client logged is one of the day too.
func TestWhatOthersLogIsOfTheDay(t *testing.T) {
	r := setUp(t)
	held, _ := r.Agent.ReleaseInForce()
	b := verdict.Exemplar(held.Serving("latte/mug"))
	b.ID, b.Release, b.StartedAt, b.FinishedAt = uuid.NewString(), 0, r.Clock.Now().Add(-time.Minute), r.Clock.Now()
	_, err := r.Agent.LogBuild(t.Context(), &pb.LogBuildRequest{Build: wire.BuildToProto(&b)})
	r.must(err)
	r.tick()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if d.Builds != 1 || len(d.Series) == 0 || r.state().Last.ID != b.ID {
		t.Errorf("%+v", d)
	}
	o, err := r.bar.Undo(t.Context(), b.ID)
	r.must(err)
	if l := r.finish(o.ID); l.Corrects != b.ID {
		t.Errorf("%+v", l)
	}
}

// Two tablets that tap at once log one build.
func TestTwoTabletsAtOnce(t *testing.T) {
	r := setUp(t)
	o := r.begin("latte/mug")
	var g errgroup.Group
	for i := range 8 {
		g.Go(func() error {
			if err := r.bar.Enter(t.Context(), o.ID, "yield", 1, drink.Milli(38_000+i*100), "stepper"); err != nil {
				var no *Refusal
				if !errors.As(err, &no) || no.Text != "already_logged" {
					return err
				}
			}
			if _, err := r.bar.State(t.Context()); err != nil {
				return err
			}
			_, _, _ = r.bar.TakeReading(instrument.Reading{Instrument: "scale-1", Kind: instrument.Scale, Unit: "g", Value: 18_000}, r.Clock.Now())
			l, err := r.bar.Finish(t.Context(), o.ID)
			if err == nil && l.Sequence != 1 {
				err = fmt.Errorf("logged as %d", l.Sequence)
			}
			return err
		})
	}
	r.must(g.Wait())
	if n := len(r.log()); n != 1 {
		t.Errorf("%d builds in the log", n)
	}
}
