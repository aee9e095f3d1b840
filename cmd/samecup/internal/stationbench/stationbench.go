// Package stationbench answers one question: what does a station's agent take
// of a small machine at the bar, in memory and in time until it can be used?
//
// It measures the agent as it is run, a process of its own, with a large book
// and a long outage behind it: resident memory as the system counts it, and the
// time from starting the process to its first useful answer. There is no peer;
// the goals are stated figures.
package stationbench

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// The goals.
const (
	// GoalMiB is the resident memory that an agent should stay under, MiB.
	GoalMiB = 40
	// GoalMillis is the time from start to the first answer, ms.
	GoalMillis = 500
	// settle is how long after its first answers the agent's memory is read: what
	// a start takes for a moment is not what it lives on.
	settle = 4 * time.Second
	// A build every pace is the peak rate, 100,000 in 72 hours; it is kept up for
	// a shift, and the memory looked at every so often.
	pace, shift, look = 2600 * time.Millisecond, 26 * time.Second, 200 * time.Millisecond
	// GoalPageKB is what the page may transfer when it is opened, kB of 1000
	// bytes.
	GoalPageKB = 150
)

// Options say what to measure. The zero value of a number means its default.
type Options struct {
	// Drinks in the book; 200.
	Drinks int
	// Waiting is how many builds wait for the bus; 100,000.
	Waiting int
	// Starts is how often the agent is started; 5. The time is their median.
	Starts int
	// Command makes the process to be measured for a directory and a bus. It
	// prints "station SITE/STATION on ADDRESS" once it listens, and after that
	// "page on URL" if it serves the page.
	Command func(dir, busURL string) *exec.Cmd
	// Binary is the file of the program that Command starts, so that the report
	// can say what was measured; not said if empty.
	Binary string
	// Page says that the process serves the page, which is measured as well.
	Page bool
	// Dir is where the data go; a temporary directory if empty.
	Dir string
	// Progress gets a line now and then; nil for none.
	Progress io.Writer

	// quick shortens the waits, for tests.
	quick bool
}

// Row is one figure.
type Row struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
	// Goal is the most that is asked for; 0 for a figure without one.
	Goal float64 `json:"goal"`
	// Note says how it was measured.
	Note string `json:"note"`
}

// Met reports whether the figure stays under its goal.
func (r Row) Met() bool { return r.Goal == 0 || r.Value < r.Goal }

// WriteTable writes rows for people.
func WriteTable(w io.Writer, rows []Row) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "measured\tfigure\t\tgoal\tmet\thow")
	for _, r := range rows {
		goal, met := "", ""
		if r.Goal > 0 {
			goal, met = fmt.Sprintf("under %g", r.Goal), "no"
			if r.Met() {
				met = "yes"
			}
		}
		fmt.Fprintf(t, "%s\t%.4g\t%s\t%s\t%s\t%s\n", r.Name, r.Value, r.Unit, goal, met, r.Note)
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("writing the table: %w", err)
	}
	return nil
}

// Measure prepares a station, starts it several times, and drains it at the end.
func Measure(ctx context.Context, o Options) (_ []Row, err error) {
	o.Drinks, o.Waiting, o.Starts = cmp.Or(o.Drinks, 200), cmp.Or(o.Waiting, 100_000), cmp.Or(o.Starts, 5)
	if o.Progress == nil {
		o.Progress = io.Discard
	}
	if o.Drinks < 1 || o.Drinks > maxDrinks || o.Waiting < 1 || o.Starts < 1 {
		return nil, fmt.Errorf("drinks are %d, waiting %d, starts %d; allowed are 1 to %d drinks, and 1 or more of the others", o.Drinks, o.Waiting, o.Starts, maxDrinks)
	}
	if _, err := os.Stat("/proc/self/status"); err != nil {
		return nil, errors.New("the memory of a process is read from /proc, which this system does not have: run this on Linux")
	}
	if o.Dir == "" {
		if o.Dir, err = os.MkdirTemp("", "samecup-stationbench-"); err != nil {
			return nil, fmt.Errorf("make a temporary directory: %w", err)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(o.Dir)) }()
	}
	var rows []Row
	if o.Binary != "" {
		row, err := programRow(o.Binary)
		if err != nil {
			return nil, err
		}
		rows = append(rows, row)
	}
	fmt.Fprintf(o.Progress, "  preparing a book of %d drinks and %d builds …\n", o.Drinks, o.Waiting)
	p, err := prepare(ctx, o)
	if err != nil {
		return nil, err
	}
	// A port where no bus listens yet.
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("find a free port: %w", err)
	}
	port := lis.Addr().(*net.TCPAddr).Port
	if err := lis.Close(); err != nil {
		return nil, fmt.Errorf("find a free port: %w", err)
	}
	busURL := fmt.Sprintf("nats://127.0.0.1:%d", port)

	// What the agent makes of a log that it finds for the first time is no part
	// of a start.
	first, err := start(ctx, o.Command(p.dir, busURL), o.Page)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(o.Progress, "  the first start answered in %.0f ms\n", first.answered)
	first.kill()
	var answers, pages, rss, anon []float64
	var pageBytes float64
	for i := range o.Starts {
		last := i == o.Starts-1
		a, err := start(ctx, o.Command(p.dir, busURL), o.Page)
		if err != nil {
			return nil, err
		}
		m, err := a.settled(ctx, o)
		if err == nil {
			answers, rss, anon = append(answers, a.answered), append(rss, m.rss), append(anon, m.anon)
			pages, pageBytes = append(pages, a.paged), a.pageBytes
			fmt.Fprintf(o.Progress, "  start %d of %d: answered in %.0f ms, %.1f MiB resident\n", i+1, o.Starts, a.answered, m.rss)
		}
		if err != nil || !last {
			a.kill()
			if err != nil {
				return nil, err
			}
			continue
		}
		defer a.kill()
		drained, err := drain(ctx, o, p, a, port)
		if err != nil {
			return nil, err
		}
		rows = append(rows, firstRows(o, answers, pages, rss, anon, pageBytes)...)
		return append(rows, drained...), nil
	}
	return nil, errors.New("unreachable: there is at least one start")
}

func firstRows(o Options, answers, pages, rss, anon []float64, pageBytes float64) []Row {
	what := fmt.Sprintf("%d drinks in the book, %d builds waiting", o.Drinks, o.Waiting)
	rows := []Row{
		{Name: "cold start", Value: median(answers), Unit: "ms", Goal: GoalMillis, Note: fmt.Sprintf("median of %d: process start to GetStatus and ListServings answered, files in the system's cache; %s", o.Starts, what)},
		{Name: "resident", Value: median(rss), Unit: "MiB", Goal: GoalMiB, Note: fmt.Sprintf("VmRSS %s after it answered; %s", settle, what)},
		{Name: "of it not of files", Value: median(anon), Unit: "MiB", Note: "RssAnon: without the pages of the program itself"},
	}
	if o.Page {
		rows = append(rows,
			Row{Name: "cold start to the page", Value: median(pages), Unit: "ms", Goal: GoalMillis, Note: "the same, until GET / was answered in full"},
			Row{Name: "page", Value: pageBytes / 1000, Unit: "kB", Goal: GoalPageKB, Note: "body of GET / as transferred, without what it links to"})
	}
	return rows
}

func median(sample []float64) float64 {
	slices.Sort(sample)
	n := len(sample)
	return (sample[(n-1)/2] + sample[n/2]) / 2
}

// drain logs builds at the running agent, then lets it have a bus, and watches
// its memory until the outbox is empty.
func drain(ctx context.Context, o Options, p *prepared, a *agent, port int) ([]Row, error) {
	each, working, err := a.work(ctx, o, p)
	if err != nil {
		return nil, err
	}
	srv, err := bus.StartServer(bus.ServerConfig{StoreDir: p.busDir, Port: port})
	if err != nil {
		return nil, err
	}
	defer srv.Shutdown()
	nc, err := bus.Connect(ctx, srv.URL(), "bench", zap.NewNop())
	if err != nil {
		return nil, err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, fmt.Errorf("use the bus: %w", err)
	}
	if err := bus.EnsureStreams(ctx, js); err != nil {
		return nil, err
	}
	began := time.Now()
	for {
		st, err := a.client.GetStatus(ctx, &pb.GetStatusRequest{})
		if err != nil {
			return nil, fmt.Errorf("ask for the status: %w", err)
		}
		if st.GetOutboxDepth() == 0 {
			break
		}
		select {
		case <-time.After(20 * time.Millisecond):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	took := time.Since(began)
	time.Sleep(2 * time.Second)
	m, err := a.memory()
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(o.Progress, "  drained in %.1f s\n", took.Seconds())
	return []Row{
		{Name: "resident at work", Value: working.rss, Unit: "MiB", Goal: GoalMiB, Note: fmt.Sprintf("median VmRSS while a build is logged every %s for %s", pace, shift)},
		{Name: "of it not of files", Value: working.anon, Unit: "MiB", Note: "RssAnon"},
		{Name: "resident at most", Value: m.peak, Unit: "MiB", Note: "VmHWM: the most at any moment, from the start to all builds drained to a bus"},
		{Name: "one build", Value: each, Unit: "ms", Note: "median LogBuild over gRPC with nobody else: mostly the disk's sync"},
		{Name: "drained", Value: took.Seconds(), Unit: "s", Note: "from the bus's start to an empty outbox"},
	}, nil
}

// work logs builds at the peak rate; it returns the medians of a build's time,
// ms, and of the memory, MiB.
func (a *agent) work(ctx context.Context, o Options, p *prepared) (each float64, mem usage, err error) {
	shift := shift
	if o.quick {
		shift = pace
	}
	var times, rss, anon []float64
	tick := time.NewTicker(look)
	defer tick.Stop()
	for i := range int(shift / look) {
		if i%int(pace/look) == 0 {
			began := time.Now()
			if _, err := a.client.LogBuild(ctx, &pb.LogBuildRequest{Build: p.build(o.Waiting+i, began)}); err != nil {
				return 0, mem, fmt.Errorf("log a build: %w", err)
			}
			times = append(times, millis(began))
		}
		if mem, err = a.memory(); err != nil {
			return 0, mem, err
		}
		rss, anon = append(rss, mem.rss), append(anon, mem.anon)
		select {
		case <-tick.C:
		case <-ctx.Done():
			return 0, mem, ctx.Err()
		}
	}
	mem.rss, mem.anon = median(rss), median(anon)
	return median(times), mem, nil
}

// agent is a running process.
type agent struct {
	cmd    *exec.Cmd
	client pb.StationServiceClient
	close  func() error
	// answered and paged are since the start, ms; paged 0 without a page.
	answered, paged float64
	pageBytes       float64
}

// start starts a process and asks until it answers.
func start(ctx context.Context, cmd *exec.Cmd, page bool) (_ *agent, err error) {
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("start the agent: %w", err)
	}
	began := time.Now()
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start the agent: %w", err)
	}
	a := &agent{cmd: cmd, close: func() error { return nil }}
	defer func() {
		if err != nil {
			a.kill()
		}
	}()
	lines := newLines(out)
	addr, err := lines.after("station ", " on ")
	if err != nil {
		return nil, err
	}
	cc, err := rpc.Dial(addr)
	if err != nil {
		return nil, err
	}
	a.close, a.client = cc.Close, pb.NewStationServiceClient(cc)
	if _, err := a.client.GetStatus(ctx, &pb.GetStatusRequest{}); err != nil {
		return nil, fmt.Errorf("ask for the status: %w", err)
	}
	if _, err := a.client.ListServings(ctx, &pb.ListServingsRequest{}); err != nil {
		return nil, fmt.Errorf("ask for the servings: %w", err)
	}
	a.answered = millis(began)
	if page {
		url, err := lines.after("page", " on ")
		if err != nil {
			return nil, err
		}
		if a.pageBytes, err = get(ctx, url); err != nil {
			return nil, err
		}
		a.paged = millis(began)
	}
	return a, nil
}

func millis(since time.Time) float64 { return float64(time.Since(since).Microseconds()) / 1000 }

// get fetches a page as a browser does and counts its bytes as transferred.
func get(ctx context.Context, url string) (float64, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimSuffix(url, "/")+"/", nil)
	if err != nil {
		return 0, fmt.Errorf("fetch the page: %w", err)
	}
	// Set by hand, so that the client does not unpack it.
	req.Header.Set("Accept-Encoding", "gzip")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, fmt.Errorf("fetch the page: %w", err)
	}
	defer res.Body.Close()
	n, err := io.Copy(io.Discard, res.Body)
	if err == nil && res.StatusCode != http.StatusOK {
		err = errors.New(res.Status)
	}
	if err != nil {
		return 0, fmt.Errorf("fetch the page: %w", err)
	}
	return float64(n), nil
}

func (a *agent) kill() {
	_ = a.close()
	_ = a.cmd.Process.Kill()
	_ = a.cmd.Wait()
}
