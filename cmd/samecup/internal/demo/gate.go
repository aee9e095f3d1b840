package demo

import (
	"context"
	"sync"
)

// level is a number that only rises and that others can wait for.
type level struct {
	mu    sync.Mutex
	value int
	// risen is closed and replaced at each rise.
	risen chan struct{}
}

func newLevel() *level { return &level{risen: make(chan struct{})} }

func (l *level) get() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.value
}

func (l *level) add(n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.value += n
	close(l.risen)
	l.risen = make(chan struct{})
}

func (l *level) raise(to int) {
	if d := to - l.get(); d > 0 {
		l.add(d)
	}
}

// wait returns once the level is at least n, or with the context's cause.
func (l *level) wait(ctx context.Context, n int) error {
	for {
		l.mu.Lock()
		value, risen := l.value, l.risen
		l.mu.Unlock()
		if value >= n {
			return nil
		}
		select {
		case <-risen:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}
