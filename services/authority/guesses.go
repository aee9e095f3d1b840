package authority

import (
	"context"
	"net"
	"net/netip"
	"sync"
	"time"

	"google.golang.org/grpc/peer"
)

const (
	// guessesFree is how many wrong codes one source may try at once, and
	// guessEvery the pause that each further one costs: people mistype a code
	// once or twice, and a machine gets 10 tries and then 6 a minute.
	guessesFree = 10
	guessEvery  = 10 * time.Second
	// guessSources bounds the memory; beyond it the one that was heard longest
	// ago is forgotten.
	guessSources = 1024
)

// guesses counts wrong enrolment codes by where they come from.
type guesses struct {
	mu   sync.Mutex
	from map[string]guesser
}

// guesser has the tries that it has used up by then; they wear off with time.
type guesser struct {
	used float64
	at   time.Time
}

func (g guesser) usedAt(now time.Time) float64 {
	return max(0, g.used-max(0, now.Sub(g.at).Seconds())/guessEvery.Seconds())
}

// wait is how long a source must still wait; 0 when it may try.
func (g *guesses) wait(source string, now time.Time) time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	over := g.from[source].usedAt(now) - (guessesFree - 1)
	if over <= 0 {
		return 0
	}
	return time.Duration(over * float64(guessEvery))
}

// wrong notes a try that hit no code.
func (g *guesses) wrong(source string, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.from == nil {
		g.from = map[string]guesser{}
	}
	if _, known := g.from[source]; !known && len(g.from) >= guessSources {
		g.forget()
	}
	g.from[source] = guesser{used: min(g.from[source].usedAt(now)+1, guessesFree), at: now}
}

func (g *guesses) forget() {
	oldest := ""
	for source, v := range g.from {
		if oldest == "" || v.at.Before(g.from[oldest].at) {
			oldest = source
		}
	}
	delete(g.from, oldest)
}

// source names where a call comes from: its address, or the network of an IPv6
// one, since a machine may have as many of those as it likes.
func source(ctx context.Context) string {
	p, ok := peer.FromContext(ctx)
	if !ok || p.Addr == nil {
		return "an unknown address"
	}
	host, _, err := net.SplitHostPort(p.Addr.String())
	if err != nil {
		return "this machine" // an in-process or Unix connection
	}
	ip, err := netip.ParseAddr(host)
	if err != nil || ip.Is4() || ip.Is4In6() || ip.IsLoopback() {
		return host
	}
	network, err := ip.WithZone("").Prefix(64)
	if err != nil {
		return host
	}
	return network.String()
}
