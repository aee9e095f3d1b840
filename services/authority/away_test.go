package authority

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// line is a wire to the bus that can lose what is said on it, and be cut.
type line struct {
	lis net.Listener
	to  string

	mu    sync.Mutex
	conns map[net.Conn]bool
	down  bool
	// From the first chunk on in which loses stands, a connection's words are
	// lost; lost is closed then.
	loses []byte
	lost  chan struct{}
}

func newLine(t *testing.T, busURL string) *line {
	t.Helper()
	u, err := url.Parse(busURL)
	if err != nil {
		t.Fatal(err)
	}
	w := &line{to: u.Host, conns: map[net.Conn]bool{}}
	if w.lis, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := w.lis.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { w.carry(c) })
		}
	})
	t.Cleanup(func() { _ = w.lis.Close(); w.cut(); wg.Wait() })
	return w
}

func (w *line) url() string { return "nats://" + w.lis.Addr().String() }

func (w *line) carry(client net.Conn) {
	defer client.Close()
	server, err := net.Dial("tcp", w.to)
	if err != nil {
		return
	}
	defer server.Close()
	w.mu.Lock()
	if w.down {
		w.mu.Unlock()
		return
	}
	w.conns[client], w.conns[server] = true, true
	w.mu.Unlock()
	back := make(chan struct{})
	go func() {
		defer close(back)
		pipe(client, server, func([]byte) bool { return true })
		_ = client.Close()
	}()
	// A word may lie across two chunks.
	var tail []byte
	deaf := false
	pipe(server, client, func(chunk []byte) bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		said := append(tail, chunk...)
		if len(w.loses) > 0 && bytes.Contains(said, w.loses) {
			deaf, w.loses = true, nil
			close(w.lost)
		}
		tail = bytes.Clone(said[max(0, len(said)-64):])
		return !deaf
	})
	_ = server.Close()
	<-back
	w.mu.Lock()
	delete(w.conns, client)
	delete(w.conns, server)
	w.mu.Unlock()
}

// pipe copies what pass lets through until one side is closed.
func pipe(to, from net.Conn, pass func([]byte) bool) {
	buf := make([]byte, 64<<10)
	for {
		n, err := from.Read(buf)
		if n > 0 && pass(buf[:n]) {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// lose has the next words lost that hold this.
func (w *line) lose(word string) <-chan struct{} {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.loses, w.lost = []byte(word), make(chan struct{})
	return w.lost
}

// cut ends all connections and lets none in until mend.
func (w *line) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.down, w.loses = true, nil
	for c := range w.conns {
		_ = c.Close()
	}
}

func (w *line) mend() { w.mu.Lock(); defer w.mu.Unlock(); w.down = false }

// stopIngredient orders a stop; nothing of it goes out by this call.
func (h *harness) stopIngredient(t *testing.T) {
	t.Helper()
	if _, err := (stopService{Service: h.Service}).CreateStop(t.Context(), &pb.CreateStopRequest{RequestId: uuid.NewString(),
		Kind: pb.StopKind_STOP_KIND_INGREDIENT, Target: "chocolate-powder", Reason: "packed beside hazelnuts", Instruction: "set it aside"}); err != nil {
		t.Fatal(err)
	}
}

// disturb makes the bus lack an assignment that the authority thinks is there,
// and hold a message that is not its own, so that a comparison asks everything.
func (h *harness) disturb(t *testing.T) {
	t.Helper()
	js := h.jetstream(t)
	stream, err := js.Stream(t.Context(), bus.StreamBook)
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Purge(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(t.Context(), bus.AssignmentSubject("tannery-row"), []byte("not an assignment")); err != nil {
		t.Fatal(err)
	}
}

// openOnLine is an authority with a site and a release, on a bus behind a line.
func openOnLine(t *testing.T) (*harness, *line) {
	t.Helper()
	srv := startBus(t, t.TempDir())
	w := newLine(t, srv.URL())
	h := startOn(t, w.url(), t.TempDir())
	h.client = connect(t, srv.URL()) // a station's, which nothing happens to
	h.addSite(t, "tannery-row", "north")
	h.publish(t, request(bookFiles(t)))
	if err := h.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	return h, w
}

// questions that a comparison asks, in their order, by a word of each.
var questions = []string{
	"$JS.API.STREAM.UPDATE.BOOK", "$JS.API.STREAM.INFO.BOOK", "$JS.API.CONSUMER.CREATE.BOOK", "$JS.API.CONSUMER.MSG.NEXT.BOOK",
	"$JS.API.DIRECT.GET.BOOK", "HPUB samecup.book.chain.1", "HPUB samecup.assignment.tannery-row",
}

// TestAQuestionLostWithTheConnectionHoldsNobodyUp: the client library waits for
// the answer to such a question until the question's own deadline.
func TestAQuestionLostWithTheConnectionHoldsNobodyUp(t *testing.T) {
	for _, question := range questions {
		t.Run(question, func(t *testing.T) {
			h, w := openOnLine(t)
			h.pub.askWait = time.Hour // the loss of the connection alone must do it
			h.disturb(t)
			lost := w.lose(question)
			failed := make(chan error, 1)
			go func() { failed <- h.Reconcile(context.WithoutCancel(t.Context())) }()
			within(t, "the question to be asked", lost)
			w.cut()
			select {
			case err := <-failed:
				if err == nil {
					t.Fatal("the comparison succeeded without an answer")
				}
				t.Log(err)
			case <-time.After(10 * time.Second):
				t.Fatal("the comparison still waits for an answer that cannot come")
			}
			h.stopIngredient(t)
			h.run(t)
			w.mend()
			eventually(t, "everything on the bus", func() bool {
				a := h.on(t, bus.AssignmentSubject("tannery-row"))
				return len(h.on(t, bus.StopListSubjects)) == 1 && len(h.stream(t, "chain")) == 1 && len(a) == 1 && string(a[0]) != "not an assignment"
			})
		})
	}
}

// TestABusThatFallsSilentHoldsNobodyUp: the connection stands and nothing comes
// back, as through a broken switch.
func TestABusThatFallsSilentHoldsNobodyUp(t *testing.T) {
	for _, question := range questions {
		t.Run(question, func(t *testing.T) {
			h, w := openOnLine(t)
			lost := w.lose(question)
			// A loaded machine may need longer for the questions before it.
			for h.pub.askWait = 200 * time.Millisecond; ; h.pub.askWait *= 2 {
				h.disturb(t)
				failed := make(chan error, 1)
				go func() { failed <- h.Reconcile(context.WithoutCancel(t.Context())) }()
				var err error
				select {
				case err = <-failed:
				case <-time.After(10*time.Second + 10*h.pub.askWait):
					t.Fatal("the comparison still waits")
				}
				select {
				case <-lost:
					if err == nil {
						t.Fatal("the comparison succeeded without an answer")
					}
					return
				default:
				}
			}
		})
	}
}

// TestAStopWaitsForNoComparison: while the stream is being read, a stop goes out.
func TestAStopWaitsForNoComparison(t *testing.T) {
	h, w := openOnLine(t)
	h.pub.askWait = time.Hour
	h.disturb(t)
	lost := w.lose("$JS.API.CONSUMER.CREATE.BOOK")
	ended := make(chan error, 1)
	go func() { ended <- h.Reconcile(t.Context()) }()
	within(t, "the comparison to begin", lost)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if err := h.pub.lock(ctx); err != nil {
		t.Fatalf("the publisher is held by a comparison that reads: %v", err)
	}
	h.pub.unlock()
	w.cut()
	if err := <-ended; !errors.Is(err, bus.ErrAway) {
		t.Errorf("the comparison ended with %v; want ErrAway", err)
	}
}

func within(t *testing.T, what string, c <-chan struct{}) {
	t.Helper()
	select {
	case <-c:
	case <-time.After(15 * time.Second):
		t.Fatalf("not in time: %s", what)
	}
}

// TestTheBusGoesAwayInMidPublish takes a real bus down while hundreds of
// assignments are in flight, and orders a stop while it is away.
func TestTheBusGoesAwayInMidPublish(t *testing.T) {
	dir := t.TempDir()
	srv := startBus(t, dir)
	u, err := url.Parse(srv.URL())
	if err != nil {
		t.Fatal(err)
	}
	port, err := strconv.Atoi(u.Port())
	if err != nil {
		t.Fatal(err)
	}
	h := startOn(t, srv.URL(), t.TempDir())
	const sites = 300
	for i := range sites {
		h.addSite(t, fmt.Sprintf("site-%03d", i), "north")
	}
	h.run(t)
	files := bookFiles(t)
	for round := 1; round <= 3; round++ {
		// The assignments go out as the release is made.
		ring := make(chan struct{})
		sub, err := h.client.Subscribe(bus.AssignmentSubjects, func() func(*nats.Msg) {
			var once sync.Once
			return func(*nats.Msg) { once.Do(func() { close(ring) }) }
		}())
		if err != nil {
			t.Fatal(err)
		}
		if err := h.client.Flush(); err != nil {
			t.Fatal(err)
		}
		made := make(chan error, 1)
		req := request(files)
		go func() {
			_, err := h.books.CreateRelease(context.WithoutCancel(t.Context()), req)
			made <- err
		}()
		within(t, "the first assignment", ring)
		srv.Shutdown()
		if err := <-made; err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		_ = sub.Unsubscribe()
		h.stopIngredient(t)
		if srv, err = bus.StartServer(bus.ServerConfig{StoreDir: dir, Port: port}); err != nil {
			t.Fatal(err)
		}
		back := time.Now()
		eventually(t, "the stop on the bus", func() bool { return len(h.on(t, bus.StopListSubject(uint64(round)))) == 1 })
		took := time.Since(back)
		t.Logf("round %d: the stop was there %s after the bus", round, took.Round(time.Millisecond))
		// Within a second on an idle machine; a loaded one gets more.
		if took > 5*time.Second {
			t.Errorf("round %d: a stop took %s after the bus was back", round, took)
		}
		eventually(t, "all assignments on the bus", func() bool { return h.follows(t, round) == sites })
	}
	srv.Shutdown()
}

// follows counts the sites whose assignment on the bus orders a release.
func (h *harness) follows(t *testing.T, release int) (n int) {
	t.Helper()
	trust := h.follower(t)
	for _, raw := range h.on(t, bus.AssignmentSubjects) {
		var a pb.Assignment
		if payload(raw, &a) != nil {
			continue
		}
		if _, err := trust.VerifyAssignment(raw, a.Site); err == nil && strings.HasPrefix(a.Site, "site-") && a.Orders[len(a.Orders)-1].Release == uint64(release) { //nolint:gosec // small
			n++
		}
	}
	return n
}

// TestMoreThanAWindowGoesOut: the publisher lets go in between and goes on.
func TestMoreThanAWindowGoesOut(t *testing.T) {
	h := start(t)
	const n = bus.InFlight + 5
	for i := range n {
		subject := bus.AssignmentSubject(fmt.Sprintf("site-%04d", i))
		h.pub.put(subject, outgoing{version: 1, envelope: []byte(subject)})
	}
	if err := h.Service.publish(t.Context()); err != nil {
		t.Fatal(err)
	}
	if left := len(h.pub.waiting()); left > 0 {
		t.Errorf("%d are left", left)
	}
	if got := len(h.on(t, bus.AssignmentSubjects)); got != n {
		t.Errorf("%d are on the bus, want %d", got, n)
	}
}
