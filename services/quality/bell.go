package quality

import "sync"

// bell wakes everybody who listens. It carries nothing: whoever wakes reads
// the database, so that a slow listener costs no memory and misses nothing.
type bell struct {
	mu sync.Mutex
	ch chan struct{}
}

func newBell() *bell { return &bell{ch: make(chan struct{})} }

// next returns a channel that is closed at the next ring. Take it before
// reading the database, so that a ring in between is not missed.
func (b *bell) next() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.ch
}

func (b *bell) ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	close(b.ch)
	b.ch = make(chan struct{})
}
