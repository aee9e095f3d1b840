package tablet

import (
	"context"
	"encoding/json"
	"io/fs"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/station/bar"
	"samecup.example/samecup/station/stationtest"
	"samecup.example/samecup/testdata"
)

// shop is a real station with its bar and its page, on one address for good.
type shop struct {
	*stationtest.Rig
	t    testing.TB
	bar  *bar.Bar
	srv  *Server
	http *httptest.Server
	addr string
	// endRun ends the agent's Run, where it runs.
	endRun func()

	mu    sync.Mutex
	stage func(*bar.State)
}

// staged shows what is hard to bring about: it changes the state that pages see,
// and nothing else.
type staged struct {
	*bar.Bar
	s *shop
}

func (b staged) State(ctx context.Context) (bar.State, error) {
	st, err := b.Bar.State(ctx)
	b.s.mu.Lock()
	defer b.s.mu.Unlock()
	if b.s.stage != nil {
		b.s.stage(&st)
	}
	return st, err
}

// plan asks for one shot, at a hidden time between two minutes of the shift, and
// waits as long for it. The rig's clock begins 240 minutes into the first shift.
func plan(from, to, expire int) sampling.Plan {
	return sampling.Plan{ID: "test-1", ExpireMin: expire, GraceMin: 5, MostMin: 60, Adapt: sampling.DefaultAdaptation(), Windows: []sampling.Window{
		{ID: "mid", Anchor: sampling.FromStart, FromMin: from, ToMin: to, Parts: 1, Prompts: 1, Builds: 1, Want: sampling.Shots, Checks: []string{"dose", "yield", "shot_time"}, SecondsEach: 10},
	}}
}

// newShop opens the shop with release 1 of the large book and a plan that asks for
// nothing for hours, or the one given.
func newShop(t testing.TB, plans ...sampling.Plan) *shop {
	t.Helper()
	s := &shop{Rig: stationtest.New(t), t: t}
	for _, p := range append([]sampling.Plan{plan(400, 480, 10)}, plans...) {
		raw, err := json.Marshal(map[string]any{"plan": p})
		s.must(err)
		s.must(os.WriteFile(filepath.Join(s.Dir, bar.PlanFile), raw, 0o600))
	}
	s.Give(1, largeBook(t))
	s.openUp()
	t.Cleanup(s.shut)
	return s
}

func largeBook(t testing.TB) *drink.Book {
	t.Helper()
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		t.Fatal(err)
	}
	book, problems := drink.LoadAndCheck(sub)
	if problems.HasErrors() {
		t.Fatal(problems)
	}
	return book
}

// serving finds one in a book, to be changed.
func serving(t testing.TB, b *drink.Book, id string) *drink.Serving {
	t.Helper()
	s, ok := b.ServingByID(id)
	if !ok {
		t.Fatalf("no serving %q", id)
	}
	return s
}

// openUp opens the bar and serves the page, on the address that it had.
func (s *shop) openUp() {
	s.t.Helper()
	var err error
	if s.bar, err = bar.New(context.Background(), bar.Config{Agent: s.Agent, Dir: s.Dir, Now: s.Clock.Now}); err != nil {
		s.t.Fatal(err)
	}
	if s.srv, err = New(Config{Bar: staged{s.bar, s}, Now: s.Clock.Now}); err != nil {
		s.t.Fatal(err)
	}
	if s.addr == "" {
		s.addr = "127.0.0.1:0"
	}
	l, err := net.Listen("tcp", s.addr)
	if err != nil {
		s.t.Fatal(err)
	}
	s.addr = l.Addr().String()
	s.http = &httptest.Server{Listener: l, Config: &http.Server{Handler: s.srv.Handler()}}
	s.http.Start()
}

// shut ends the page and the bar, as a stop of the station does.
func (s *shop) shut() {
	s.t.Helper()
	if s.http == nil {
		return
	}
	s.srv.Close()
	s.http.CloseClientConnections()
	s.http.Close()
	s.http = nil
	if err := s.bar.Close(); err != nil {
		s.t.Error(err)
	}
	if s.endRun != nil {
		s.endRun()
		s.endRun = nil
	}
}

// show changes what pages see from now on.
func (s *shop) show(f func(*bar.State)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stage = f
}

func (s *shop) url() string { return "http://" + s.addr }

func (s *shop) state() bar.State {
	s.t.Helper()
	st, err := s.bar.State(context.Background())
	if err != nil {
		s.t.Fatal(err)
	}
	return st
}

func (s *shop) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

// until polls a condition.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("still not: %s", what)
		}
	}
}

// make logs a drink whose pulls took a time; all else is to the letter.
func (s *shop) make(id string, took drink.Milli) *bar.Logged {
	s.t.Helper()
	ctx := context.Background()
	o, err := s.bar.Begin(ctx, id)
	s.must(err)
	for i := range o.Serving.Checks {
		k := &o.Serving.Checks[i]
		if k.Need != drink.Always {
			continue
		}
		for n := 1; n <= max(k.Occurrences, 1); n++ {
			v := k.Target
			if k.Measure == "shot_time" {
				v = took
			}
			s.must(s.bar.Enter(ctx, o.ID, k.ID, n, v, "keypad"))
		}
	}
	s.Clock.Add(40 * time.Second)
	l, err := s.bar.Finish(ctx, o.ID)
	s.must(err)
	return l
}
