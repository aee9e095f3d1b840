package demo

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/sim"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console"
)

const (
	statusEvery = time.Second
	// farewell bounds the wait for the outboxes when the demo is stopped; what
	// is left goes out at the next start.
	farewell = 3 * time.Second
)

// Live runs the chain until ctx ends and shows what happens.
func Live(ctx context.Context, opts Options) (err error) {
	run, err := nextRun(opts.Dir)
	if err != nil {
		return err
	}
	truth, err := sim.OpenTruth(filepath.Join(opts.Dir, "truth.jsonl"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, truth.Close()) }()
	fmt.Fprintf(opts.Out, "starting Harbour & Finch in %s ...\n", opts.Dir)
	c, err := openChain(ctx, opts)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.close()) }()
	l := &live{chain: c, out: opts.Out, terminal: opts.Terminal, began: time.Now(), made: newLevel(), logged: newLevel(),
		lines: make(chan string, 64)}
	pages, err := rpc.ListenLoopback(cmp.Or(opts.Console, "127.0.0.1:0"))
	if err != nil {
		return fmt.Errorf("console: %w", err)
	}
	office, err := console.New(console.Config{Authority: c.client, Quality: c.client, Log: opts.Log.Named("console")})
	if err != nil {
		return errors.Join(err, pages.Close())
	}
	l.welcome(opts, run, pages.Addr().String())

	g, gctx := errgroup.WithContext(ctx)
	for _, h := range c.hosts {
		k, err := newCounter(h, sim.Config{Seed: opts.Seed, Run: run, FaultRate: opts.FaultRate}, truth, l.made, l.logged)
		if err != nil {
			return err
		}
		g.Go(func() error { return k.trade(gctx, opts.Pace) })
	}
	g.Go(func() error { return office.Serve(gctx, pages) })
	g.Go(func() error { return l.listen(gctx) })
	g.Go(func() error { return l.show(gctx) })
	g.Go(func() error {
		select {
		case err := <-c.failed:
			return err
		case <-gctx.Done():
			return nil
		}
	})
	// An end on request is no failure.
	if err := g.Wait(); err != nil && ctx.Err() == nil {
		return err
	}
	return l.leave(ctx)
}

// live is a running show.
type live struct {
	chain    *chain
	out      io.Writer
	terminal bool
	began    time.Time
	made     *level
	logged   *level
	lines    chan string
	// width of the status line on the screen, to be wiped before the next.
	width int
}

func (l *live) welcome(opts Options, run uint64, pages string) {
	centre := l.chain.centre.addr
	fmt.Fprintf(l.out, "run %d, seed %d; data and log in %s\n\n", run, opts.Seed, opts.Dir)
	fmt.Fprintf(l.out, "  console  http://%s/  (open it in a browser)\n", pages)
	fmt.Fprintf(l.out, "  centre   %s  (books, fleet, quality over gRPC)\n  bus      %s\n", centre, l.chain.busURL)
	for _, h := range l.chain.hosts {
		fmt.Fprintf(l.out, "  station  %s  %s/%s\n", h.addr, h.site, h.station)
	}
	station := l.chain.hosts[0].addr
	fmt.Fprintf(l.out, "\nin another terminal:\n")
	for _, line := range []string{
		"deviations --follow --from " + centre,
		"intake --from " + centre,
		"stations --to " + centre,
		"log --to " + station + " FILE.jsonl",
	} {
		fmt.Fprintf(l.out, "  %s %s\n", cmp.Or(opts.Program, "samecup"), line)
	}
	fmt.Fprintln(l.out)
	fmt.Fprintln(l.out, "Simulated baristas are at work; about one build in", max(int(1/max(opts.FaultRate, 1e-6)), 1), "has a fault. Ctrl-C stops.")
	fmt.Fprintln(l.out)
}

// trade makes builds at a pace, with pauses as irregular as guests are.
func (k *counter) trade(ctx context.Context, pace time.Duration) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Duration(rand.ExpFloat64() * float64(pace))):
		}
		if err := k.one(ctx); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
	}
}

// listen turns deviations counted since the start into lines.
func (l *live) listen(ctx context.Context) error {
	var cursor uint64
	for ctx.Err() == nil {
		err := l.stream(ctx, &cursor)
		if ctx.Err() != nil {
			return nil
		}
		l.chain.log.Info("the stream of deviations ended; asking again", zap.Error(err))
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
	return nil
}

func (l *live) stream(ctx context.Context, cursor *uint64) error {
	in, err := l.chain.quality.StreamDeviations(ctx, &pb.StreamDeviationsRequest{AfterCursor: *cursor})
	if err != nil {
		return err
	}
	for {
		msg, err := in.Recv()
		if err != nil {
			return err
		}
		d := msg.GetDeviation()
		*cursor = d.GetCursor()
		if d.GetReceivedTime().AsTime().Before(l.began) {
			continue // shown by an earlier run
		}
		select {
		case l.lines <- describe(d):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// describe puts a deviation into one line.
func describe(d *pb.Deviation) string {
	b := d.GetBuild()
	var texts []string
	for _, f := range d.GetVerdict().GetFindings() {
		texts = append(texts, f.GetText())
	}
	grade := strings.ToLower(strings.TrimPrefix(d.GetVerdict().GetGrade().String(), "GRADE_"))
	return fmt.Sprintf("%s  %-17s %-22s %s: %s", d.GetReceivedTime().AsTime().Local().Format(time.TimeOnly),
		b.GetSite(), b.GetServing(), strings.ReplaceAll(grade, "_", " "), strings.Join(texts, "; "))
}

// show is the only writer while the show runs.
func (l *live) show(ctx context.Context) error {
	tick := time.NewTicker(statusEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			l.wipe()
			return nil
		case line := <-l.lines:
			l.wipe()
			fmt.Fprintln(l.out, line)
		case <-tick.C:
			status, err := l.status(ctx)
			if err != nil {
				continue // the bus or the centre is away for a moment; the next tick tells
			}
			l.wipe()
			if l.terminal {
				fmt.Fprint(l.out, status)
				l.width = len(status)
			} else {
				fmt.Fprintln(l.out, status)
			}
		}
	}
}

// wipe clears the status line on a terminal.
func (l *live) wipe() {
	if l.width > 0 {
		fmt.Fprint(l.out, "\r\x1b[K")
		l.width = 0
	}
}

// status is kept under 80 columns, so that one wipe clears it.
func (l *live) status(ctx context.Context) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, statusEvery)
	defer cancel()
	in, err := l.chain.quality.GetIntake(ctx, &pb.GetIntakeRequest{})
	if err != nil {
		return "", err
	}
	var counted, deviations, outbox, release uint64
	for _, s := range in.GetStations() {
		counted += s.GetBuilds()
		deviations += s.GetDeviations()
	}
	for _, h := range l.chain.hosts {
		st, err := h.api.GetStatus(ctx, &pb.GetStatusRequest{})
		if err != nil {
			return "", err
		}
		outbox += st.GetOutboxDepth()
		release = max(release, st.GetRelease())
	}
	return fmt.Sprintf("made %d, logged %d; in all counted %d, deviations %d; outbox %d; release %d",
		l.made.get(), l.logged.get(), counted, deviations, outbox, release), nil
}

// leave sends what is still on its way and says good-bye.
func (l *live) leave(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), farewell)
	defer cancel()
	fmt.Fprintf(l.out, "\nstopping: %d builds made and %d logged in %s\n", l.made.get(), l.logged.get(), time.Since(l.began).Round(time.Second))
	for _, h := range l.chain.hosts {
		if err := h.drained(ctx); err != nil {
			fmt.Fprintf(l.out, "%s/%s: some builds were not sent yet; they go out at the next start\n", h.site, h.station)
		}
	}
	fmt.Fprintln(l.out, "The next start with the same --data continues from here.")
	return nil
}
