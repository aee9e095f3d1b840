package demo_test

import (
	"bytes"
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"samecup.example/samecup/cmd/samecup/internal/demo"
)

// screen calls seen once it holds a text.
type screen struct {
	mu   sync.Mutex
	buf  bytes.Buffer
	text string
	seen func()
}

func (s *screen) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n, err := s.buf.Write(p)
	if s.seen != nil && strings.Contains(s.buf.String(), s.text) {
		s.seen()
		s.seen = nil
	}
	return n, err
}

func TestTheShowTellsOfDeviationsAndStopsWhenAsked(t *testing.T) {
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	out := &screen{text: "spec: ", seen: stop}
	opts := options(t, t.TempDir())
	opts.Out, opts.Pace, opts.FaultRate = out, 20*time.Millisecond, 1
	if err := demo.Live(ctx, opts); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"console  http://127.0.0.1:", "samecup deviations --follow --from 127.0.0.1:", "/bar-1", "spec: ", "stopping: "} {
		if !strings.Contains(out.buf.String(), want) {
			t.Errorf("%q is not shown in:\n%s", want, out.buf.String())
		}
	}
}
