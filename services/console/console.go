// Package console answers: what do head office and the quality lead see, and
// what can they do about it? It serves web pages that work without script; all
// that it knows it asks the authority and quality over gRPC, with the token of
// the person who is signed in.
//
// A page is one file and one template: see pages in page.go. The look is that of
// internal/look; STYLE.md gives its reasons.
package console

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Config sets a Console up.
type Config struct {
	// Authority and Quality are where the two services answer; they may be one
	// connection. The caller closes them.
	Authority, Quality grpc.ClientConnInterface
	// Hosts are names under which the console is reached besides this machine's
	// own, such as "console.example"; a request for another host is refused.
	Hosts []string
	// Token is sent where no person asks: for the stream of deviations. It may
	// be empty where the services take calls from this machine.
	Token string
	Log   *zap.Logger
	// Now is the clock; nil means time.Now.
	Now func() time.Time
}

// Console serves the pages.
type Console struct {
	log      *zap.Logger
	now      func() time.Time
	hosts    map[string]bool
	ask      clients
	sessions sessions
	who      whoCache
	books    books
	sites    siteCache
	static   assets
	look     views
	live     *hub
	rollouts rolloutFeeds
	// press has room for the documents that are drawn at a time.
	press chan struct{}
	bases baseCache
	// record is the number of the last entry of the record known so far.
	record atomic.Uint64
}

// clients are the services asked.
type clients struct {
	books    pb.BookServiceClient
	fleet    pb.FleetServiceClient
	office   pb.GovernanceServiceClient
	drafts   pb.DraftServiceClient
	overlays pb.OverlayServiceClient
	rollouts pb.RolloutServiceClient
	stops    pb.StopServiceClient
	quality  pb.QualityServiceClient
	insight  pb.InsightServiceClient
	cases    pb.CaseServiceClient
}

// New makes a console; nothing is asked before a page is.
func New(cfg Config) (*Console, error) {
	if cfg.Authority == nil || cfg.Quality == nil {
		return nil, errors.New("console: Authority and Quality must both be set; dial them first")
	}
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	c := &Console{log: cfg.Log, now: cfg.Now, hosts: map[string]bool{}, press: make(chan struct{}, atOnce), ask: clients{
		books: pb.NewBookServiceClient(cfg.Authority), fleet: pb.NewFleetServiceClient(cfg.Authority),
		office: pb.NewGovernanceServiceClient(cfg.Authority), drafts: pb.NewDraftServiceClient(cfg.Authority),
		overlays: pb.NewOverlayServiceClient(cfg.Authority), rollouts: pb.NewRolloutServiceClient(cfg.Authority),
		stops: pb.NewStopServiceClient(cfg.Authority), quality: pb.NewQualityServiceClient(cfg.Quality),
		insight: pb.NewInsightServiceClient(cfg.Quality), cases: pb.NewCaseServiceClient(cfg.Quality),
	}}
	for _, h := range cfg.Hosts {
		c.hosts[h] = true
	}
	var err error
	if c.static, err = loadAssets(); err != nil {
		return nil, fmt.Errorf("console: %w", err)
	}
	if c.look, err = loadViews(c.static); err != nil {
		return nil, fmt.Errorf("console: %w", err)
	}
	c.rollouts.ask, c.rollouts.token = c.ask.rollouts, cfg.Token
	c.live = newHub(c.ask.quality, cfg.Token, c.log.Named("live"))
	return c, nil
}

// Handler serves the console.
func (c *Console) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /static/", c.static)
	mux.HandleFunc("GET /sign-in", c.signInForm)
	mux.HandleFunc("POST /sign-in", c.signIn)
	mux.HandleFunc("POST /sign-out", c.signOut)
	mux.HandleFunc("POST /reading", c.setReading)
	mux.HandleFunc("GET /visits/plan.json", c.visitFile)
	mux.HandleFunc("GET /visits/form.pdf", c.printing(printForm))
	mux.HandleFunc("GET /print/report.pdf", c.printing(printReport))
	mux.HandleFunc("GET /print/cards.pdf", c.printing(printCards))
	mux.HandleFunc("GET /visits/slip.txt", c.visitFile)
	mux.HandleFunc("GET /live", c.serveLive)
	mux.HandleFunc("GET /drafts/{id}/try", c.tryField)
	mux.HandleFunc("GET /overlays/new/try", c.tryOverlay)
	mux.HandleFunc("GET /keys/{file}", c.sendKeyList)
	mux.HandleFunc("GET /rollouts/{id}/live", c.rolloutLive)
	for _, p := range pages() {
		mux.HandleFunc("GET "+p.path, c.show(p))
		if p.post != nil {
			mux.HandleFunc("POST "+p.path, c.act(p))
		}
	}
	mux.HandleFunc("/", c.nowhere)
	return c.guard(compress(localise(mux)))
}

// stopGrace is how long pages being made may last once the console stops.
const stopGrace = 5 * time.Second

// Serve answers on lis until ctx ends, and tells open pages what is new.
func (c *Console) Serve(ctx context.Context, lis net.Listener) error {
	// It sets no write deadline, since /live stays open; pages have one of
	// their own.
	srv := &http.Server{Handler: c.Handler(), ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 32 << 10, ErrorLog: zap.NewStdLog(c.log)}
	run, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer stop()
	wg.Go(func() { c.live.run(run) })
	wg.Go(func() {
		<-run.Done()
		c.live.close() // pages that listen would be waited for
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopGrace)
		defer cancel()
		if err := srv.Shutdown(grace); err != nil {
			c.log.Info("pages were cut off", zap.Error(errors.Join(err, srv.Close())))
		}
	})
	if err := srv.Serve(lis); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("console: %w", err)
	}
	return nil
}
