package console

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/metadata"

	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// keptNews is how many deviations a page that was cut off can catch up on.
	keptNews = 2048
	// newsQueue is how far a page may fall behind before it is let go; its
	// browser comes back and resumes.
	newsQueue  = 256
	heartbeat  = 20 * time.Second
	writeWait  = 10 * time.Second
	maxOpen    = 5000
	streamWait = 2 * time.Second
)

// news is one deviation as an open page is told it.
type news struct {
	Cursor  uint64 `json:"-"`
	Build   string `json:"build"`
	Site    string `json:"site"`
	Station string `json:"station"`
	Serving string `json:"serving"`
	Grade   string `json:"grade"`
	Text    string `json:"text"`
	data    []byte
}

// hub follows the deviations once and tells all open pages, so that a thousand
// of them cost the centre one stream.
type hub struct {
	quality pb.QualityServiceClient
	token   string
	log     *zap.Logger

	mu   sync.Mutex
	kept []news
	open map[chan news]bool
	// last is the newest cursor seen; begun says that there is one to go on from.
	last   uint64
	begun  bool
	closed bool
}

func newHub(q pb.QualityServiceClient, token string, log *zap.Logger) *hub {
	return &hub{quality: q, token: token, log: log, open: map[chan news]bool{}}
}

// run follows until ctx ends.
func (h *hub) run(ctx context.Context) {
	if h.token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+h.token)
	}
	for ctx.Err() == nil {
		if err := h.follow(ctx); err != nil && ctx.Err() == nil {
			h.log.Info("the stream of deviations ended; asking again", zap.Error(err))
		}
		select {
		case <-ctx.Done():
		case <-time.After(streamWait):
		}
	}
}

// follow begins with what comes from now on, since no page was open before, and
// goes on from where it was cut off.
func (h *hub) follow(ctx context.Context) error {
	h.mu.Lock()
	ask := &pb.StreamDeviationsRequest{AfterCursor: h.last, FromNow: !h.begun}
	h.mu.Unlock()
	in, err := h.quality.StreamDeviations(ctx, ask)
	if err != nil {
		return fmt.Errorf("ask for the stream: %w", err)
	}
	for {
		msg, err := in.Recv()
		if err != nil {
			return fmt.Errorf("read the stream: %w", err)
		}
		if msg.Deviation == nil {
			h.begin(msg.Cursor)
			continue
		}
		h.tell(newsOf(msg.Deviation))
	}
}

// begin notes where the stream begins.
func (h *hub) begin(cursor uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.begun, h.last = true, max(h.last, cursor)
}

func newsOf(d *pb.Deviation) news {
	b := d.GetBuild()
	n := news{Cursor: d.GetCursor(), Build: b.GetId(), Site: b.GetSite(), Station: b.GetStation(), Serving: b.GetServing(), Grade: gradeWord(d.GetVerdict().GetGrade())}
	if f := d.GetVerdict().GetFindings(); len(f) > 0 {
		n.Text = f[0].GetText()
	}
	n.data, _ = json.Marshal(n) // strings only
	return n
}

func (h *hub) tell(n news) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.begun, h.last = true, max(h.last, n.Cursor)
	if h.kept = append(h.kept, n); len(h.kept) > 2*keptNews {
		h.kept = append([]news(nil), h.kept[len(h.kept)-keptNews:]...)
	}
	for ch := range h.open {
		select {
		case ch <- n:
		default: // it fell behind: its browser resumes from what it had
			delete(h.open, ch)
			close(ch)
		}
	}
}

// join gives what came after a cursor and a channel of what comes; ok is false
// where too many pages are open. A cursor of 0 begins now.
func (h *hub) join(after uint64) (before []news, last uint64, ch chan news, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed || len(h.open) >= maxOpen {
		return nil, 0, nil, false
	}
	if after > 0 {
		for _, n := range h.kept {
			if n.Cursor > after {
				before = append(before, n)
			}
		}
	}
	ch = make(chan news, newsQueue)
	h.open[ch] = true
	return before, h.last, ch, true
}

// close lets all pages go, and lets none in any more.
func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for ch := range h.open {
		delete(h.open, ch)
		close(ch)
	}
}

func (h *hub) leave(ch chan news) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.open[ch] {
		delete(h.open, ch)
		close(ch)
	}
}

// serveLive sends server-sent events: each deviation as it is counted, with its
// cursor as the id, so that a browser that was cut off goes on from there.
func (c *Console) serveLive(w http.ResponseWriter, r *http.Request) {
	if _, err := c.whoAsks(r); err != nil {
		// 204 tells an EventSource not to come back.
		w.WriteHeader(http.StatusNoContent)
		return
	}
	after, _ := strconv.ParseUint(r.Header.Get("Last-Event-ID"), 10, 64)
	before, last, ch, ok := c.live.join(after)
	if !ok {
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many pages are open; this one works without news", http.StatusServiceUnavailable)
		return
	}
	defer c.live.leave(ch)
	send := eventStream(w)
	if !send("retry: 5000\nid: %d\nevent: hello\ndata: {}\n\n", last) {
		return
	}
	for _, n := range before {
		if !send("id: %d\nevent: deviation\ndata: %s\n\n", n.Cursor, n.data) {
			return
		}
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-beat.C:
			if !send(": still here\n\n") {
				return
			}
		case n, open := <-ch:
			if !open || !send("id: %d\nevent: deviation\ndata: %s\n\n", n.Cursor, n.data) {
				return
			}
		}
	}
}

// eventStream begins an answer of events and gives what sends one; false says
// that nobody reads any more.
func eventStream(w http.ResponseWriter) func(format string, a ...any) bool {
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	ctl := http.NewResponseController(w)
	return func(format string, a ...any) bool {
		_ = ctl.SetWriteDeadline(time.Now().Add(writeWait)) // a recorder in a test has none
		if _, err := fmt.Fprintf(w, format, a...); err != nil {
			return false
		}
		return ctl.Flush() == nil
	}
}
