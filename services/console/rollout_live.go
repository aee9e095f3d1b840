package console

import (
	"context"
	"fmt"
	"hash/fnv"
	"net/http"
	"sync"
	"time"

	"google.golang.org/grpc/metadata"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// standing is in a line how a rollout stands; the mark tells two such lines
// apart.
type standing struct{ words, mark string }

func standingOf(r *pb.Rollout) standing {
	a := r.GetAdoption()
	advice, _ := adviceWord(r.GetReport().GetAdvice())
	words := fmt.Sprintf("%s, %d of %s open; of %s %d have it, %d use it, %d stale, %d refused, %d silent; the test says %s", rolloutWord(r.State), r.OpenWaves, plural(len(r.Waves), "wave", "waves"),
		plural(int(a.GetExpected()), "station", "stations"), a.GetHasIt(), a.GetUsesIt(), a.GetStale(), a.GetRefused(), a.GetSilent(), advice)
	h := fnv.New64a()
	_, _ = h.Write([]byte(words)) // never fails
	return standing{words, fmt.Sprintf("%016x", h.Sum64())}
}

// rolloutFeeds follow the rollouts that somebody looks at, each once however
// many pages are open.
type rolloutFeeds struct {
	ask   pb.RolloutServiceClient
	token string

	mu sync.Mutex
	by map[string]*rolloutFeed
}

// rolloutFeed is one of them. A page that is slow gets the newest word only.
type rolloutFeed struct {
	open map[chan standing]bool
	last *standing
	stop context.CancelFunc
}

// join gives a channel of how a rollout stands, from now on; leave it with the
// function that comes along.
func (f *rolloutFeeds) join(name string) (<-chan standing, func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	feed := f.by[name]
	if feed == nil {
		ctx, stop := context.WithCancel(context.Background())
		if f.token != "" {
			ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+f.token)
		}
		feed = &rolloutFeed{open: map[chan standing]bool{}, stop: stop}
		if f.by == nil {
			f.by = map[string]*rolloutFeed{}
		}
		f.by[name] = feed
		go f.follow(ctx, name, feed)
	}
	ch := make(chan standing, 1)
	if feed.last != nil {
		ch <- *feed.last
	}
	feed.open[ch] = true
	return ch, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		if delete(feed.open, ch); len(feed.open) == 0 && f.by[name] == feed {
			feed.stop()
			delete(f.by, name)
		}
	}
}

// follow watches until nobody looks any more.
func (f *rolloutFeeds) follow(ctx context.Context, name string, feed *rolloutFeed) {
	for ctx.Err() == nil {
		if in, err := f.ask.WatchRollout(ctx, &pb.WatchRolloutRequest{Name: name}); err == nil {
			for {
				msg, err := in.Recv()
				if err != nil {
					break
				}
				f.tell(feed, standingOf(msg.GetRollout()))
			}
		}
		select { // the authority is away; pages stay as they are
		case <-ctx.Done():
		case <-time.After(streamWait):
		}
	}
}

func (f *rolloutFeeds) tell(feed *rolloutFeed, s standing) {
	f.mu.Lock()
	defer f.mu.Unlock()
	feed.last = &s
	for ch := range feed.open {
		select {
		case <-ch: // what was not taken yet is out of date
		default:
		}
		ch <- s
	}
}

// rolloutLive tells an open page of a rollout when that stands otherwise than
// the page, or the last event, said.
func (c *Console) rolloutLive(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := c.enterLive(r)
	if ctx == nil {
		w.WriteHeader(http.StatusNoContent) // do not come back
		return
	}
	defer cancel()
	name := "rollouts/" + r.PathValue("id")
	if _, err := c.ask.rollouts.GetRollout(ctx, &pb.GetRolloutRequest{Name: name}); err != nil {
		http.Error(w, "the rollout cannot be watched now", stateOf(err).code)
		return
	}
	_, _, stop, ok := c.live.join(0)
	if !ok {
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many pages are open; this one works without news", http.StatusServiceUnavailable)
		return
	}
	defer c.live.leave(stop)
	news, leave := c.rollouts.join(name)
	defer leave()
	send := eventStream(w)
	if !send("retry: 5000\n\n") {
		return
	}
	last := r.Header.Get("Last-Event-ID")
	if last == "" {
		last = r.URL.Query().Get("as")
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
		case _, open := <-stop:
			if !open {
				return
			}
		case s := <-news:
			if s.mark == last {
				continue
			}
			if last = s.mark; !send("id: %s\nevent: rollout\ndata: {\"text\":%q}\n\n", s.mark, s.words) {
				return
			}
		}
	}
}

// enterLive is a context that asks as whoever looks; nil for a stranger.
func (c *Console) enterLive(r *http.Request) (context.Context, context.CancelFunc) {
	me, err := c.whoAsks(r)
	if err != nil {
		return nil, nil
	}
	ctx, cancel := context.WithTimeout(r.Context(), pageWait)
	if me.token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+me.token)
	}
	return ctx, cancel
}
