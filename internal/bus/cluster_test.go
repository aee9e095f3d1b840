package bus_test

import (
	"context"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/internal/bus"
)

// startCluster starts servers that know each other.
func startCluster(t *testing.T, n int) []*bus.Server {
	t.Helper()
	ports, routes := freePorts(t, n), []string{}
	for _, p := range ports {
		routes = append(routes, fmt.Sprintf("nats://127.0.0.1:%d", p))
	}
	servers := make([]*bus.Server, n)
	var g errgroup.Group
	for i := range n {
		g.Go(func() (err error) {
			servers[i], err = bus.StartServer(bus.ServerConfig{StoreDir: t.TempDir(), Port: -1,
				Cluster: &bus.Cluster{Name: fmt.Sprintf("bus-%d", i+1), Host: "127.0.0.1", Port: ports[i], Routes: routes}})
			return err
		})
	}
	err := g.Wait()
	for _, s := range servers {
		if s != nil {
			t.Cleanup(s.Shutdown)
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	return servers
}

// freePorts finds ports that nobody listens on; each server must know those of
// the others before any has started.
func freePorts(t *testing.T, n int) []int {
	t.Helper()
	var ports []int
	for range n {
		lis, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer lis.Close()
		ports = append(ports, lis.Addr().(*net.TCPAddr).Port)
	}
	return ports
}

// within tries until it works; a cluster elects its leaders when it can.
func within(t *testing.T, what string, try func(ctx context.Context) error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for {
		ask, done := context.WithTimeout(ctx, 5*time.Second)
		err := try(ask)
		done()
		if err == nil {
			return
		}
		if ctx.Err() != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
}

// TestAClusterLosesAServerAndNoMessage publishes before and after the leader of
// the stream goes, and reads all of it.
func TestAClusterLosesAServerAndNoMessage(t *testing.T) {
	servers := startCluster(t, 3)
	urls := make([]string, len(servers))
	for i, s := range servers {
		urls[i] = s.URL()
	}
	nc, err := bus.Connect(t.Context(), strings.Join(urls, ","), "test", zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := bus.JetStream(nc)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "make the streams", func(ctx context.Context) error { return bus.EnsureReplicated(ctx, js, 3) })
	subject := bus.BuildSubject("tannery-row", "bar-1")
	publish := func(n int) {
		within(t, "publish", func(ctx context.Context) error {
			_, err := js.PublishMsg(ctx, bus.Event(subject, fmt.Sprint("build-", n), "test", "test", time.Unix(0, 0), fmt.Append(nil, n)))
			return err
		})
	}
	for n := range 20 {
		publish(n)
	}
	var leader string
	within(t, "find the leader", func(ctx context.Context) error {
		s, err := js.Stream(ctx, bus.StreamBuilds)
		if err == nil {
			leader = s.CachedInfo().Cluster.Leader
			if got := s.CachedInfo().Config.Replicas; got != 3 {
				t.Errorf("%d servers keep the stream, want 3", got)
			}
		}
		return err
	})
	for i, s := range servers {
		if leader == fmt.Sprintf("bus-%d", i+1) {
			s.Shutdown()
		}
	}
	for n := range 40 {
		publish(n) // those from before are known already
	}
	var cons jetstream.Consumer
	within(t, "make a consumer", func(ctx context.Context) (err error) {
		cons, err = bus.EnsureIntakeConsumer(ctx, js, bus.StreamBuilds, "quality")
		return err
	})
	seen := map[string]int{}
	within(t, "read all", func(ctx context.Context) error {
		batch, err := cons.Fetch(40, jetstream.FetchMaxWait(time.Second))
		if err != nil {
			return err
		}
		for m := range batch.Messages() {
			if err := m.DoubleAck(ctx); err != nil {
				return err
			}
			seen[string(m.Data())]++
		}
		if len(seen) < 40 {
			return fmt.Errorf("%d of 40 are here", len(seen))
		}
		return nil
	})
}
