package tablet

import (
	"fmt"
	"net/http"
	"strconv"
	"time"

	"go.uber.org/zap"
)

const (
	// maxStreams bounds the open streams of news; a shop has a few tablets.
	maxStreams = 16
	// heartbeat is how often a stream says something, so that nobody on the way
	// takes it for dead, and times on the page go on.
	heartbeat = 15 * time.Second
	// writeMost is how long one write may take; a tablet that sleeps is let go.
	writeMost = 10 * time.Second
	// newsLeast is the least time between two pieces of news: a scale sends ten
	// readings a second, and a page needs no more than a few.
	newsLeast = 250 * time.Millisecond
)

// serveLive is the stream of news, as server-sent events: "change" when the page
// should be read anew, "tick" as heartbeat. They carry no content; the script
// asks for the page it shows. An event's id counts within the stream.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "15")
		http.Error(w, "too many pages are open at this station", http.StatusServiceUnavailable)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-cache")
	h.Set("X-Accel-Buffering", "no")
	control := http.NewResponseController(w)
	id, _ := strconv.Atoi(r.Header.Get("Last-Event-ID"))
	tell := func(event string) bool {
		id++
		// The server's own time limit is for a whole answer; this one has no end.
		if err := control.SetWriteDeadline(time.Now().Add(writeMost)); err != nil {
			s.cfg.Log.Error("stream of news has no time limit", zap.Error(err))
			return false
		}
		if _, err := fmt.Fprintf(w, "id: %d\nevent: %s\ndata: %d\n\n", id, event, id); err != nil {
			return false
		}
		return control.Flush() == nil
	}
	if _, err := fmt.Fprint(w, "retry: 2000\n\n"); err != nil {
		return
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	// Whatever changed before the stream stood is news too.
	changed := s.cfg.Bar.Watch()
	if !tell("change") {
		return
	}
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.live.Done():
			return
		case <-changed:
			changed = s.cfg.Bar.Watch()
			if !tell("change") {
				return
			}
			select {
			case <-time.After(newsLeast):
			case <-r.Context().Done():
				return
			case <-s.live.Done():
				return
			}
		case <-beat.C:
			if !tell("tick") {
				return
			}
		}
	}
}
