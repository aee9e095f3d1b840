//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/services/quality"
)

type authorityFlags struct {
	data, listen      string
	busURL, busListen string
	stationBus        string
	quality, anywhere bool
	qualityAt         string
	database          string
	replicas          int
}

func authorityCommand() *cobra.Command {
	var f authorityFlags
	cmd := &cobra.Command{
		Use:   "authority",
		Short: "Run the centre: the recipe authority, quality, and the bus unless one is named",
		Long: `Run the centre: the recipe authority and, unless told otherwise, quality and a
bus in the same process. Under --data it keeps authority/ (database and keys/,
with keylist-1, which a quality process of its own must be given), quality/ and
bus/.

While a rollout is on its way, quality is asked at each tick how many builds
deviate where its waves are and where they are not; what that shows halts the
rollout by itself. A quality process of its own is asked where --quality-at
names it, with the token in SAMECUP_TOKEN where one is set; without, nobody
watches the waves.

With --database, both keep their tables in a PostgreSQL database, each in a
schema of its own, and under --data only what belongs to the machine: the keys.

Until somebody is added as a person, whoever calls from this machine may do
everything; after that changes need a person's token. Nothing is encrypted, so
only addresses on this machine are bound.`,
		Example: `  samecup authority --data /var/lib/samecup --listen 127.0.0.1:7100
  samecup authority --data /var/lib/samecup --bus nats://127.0.0.1:4222 \
    --quality=false --quality-at 127.0.0.1:7101
  samecup authority --data /var/lib/samecup --database postgres://samecup@db.example/samecup \
    --bus nats://bus-1.example,nats://bus-2.example,nats://bus-3.example --replicas 3`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runAuthority(cmd.Context(), f) },
	}
	dataFlag(cmd, &f.data)
	databaseFlag(cmd, &f.database)
	anywhereFlag(cmd, &f.anywhere)
	fl := cmd.Flags()
	fl.IntVar(&f.replicas, "replicas", 1, "servers of the bus that keep each stream: 1, or 3 or 5 of a cluster")
	fl.StringVar(&f.listen, "listen", authorityAddress, "address for gRPC calls")
	fl.StringVar(&f.busURL, "bus", "", "URL of the bus, such as nats://127.0.0.1:4222 (default: one inside this process)")
	fl.StringVar(&f.busListen, "bus-listen", busAddress, "address of the bus inside this process")
	fl.StringVar(&f.stationBus, "station-bus", "", "URL of the bus as stations reach it (default: as this process does)")
	fl.BoolVar(&f.quality, "quality", true, "run quality in this process")
	fl.StringVar(&f.qualityAt, "quality-at", "", "with --quality=false: address of the quality process that watches the waves of rollouts, such as 127.0.0.1:7101")
	return cmd
}

func runAuthority(ctx context.Context, f authorityFlags) (err error) {
	log, err := processLog()
	if err != nil {
		return err
	}
	if host, _, e := net.SplitHostPort(f.busListen); e == nil && f.busURL == "" && f.stationBus == "" && !loopback(host) && f.anywhere {
		return exitError{code: 2, msg: fmt.Sprintf("--bus-listen %q is not an address that stations can call; name theirs with --station-bus, such as nats://centre.example:4222", f.busListen)}
	}
	if f.quality && f.qualityAt != "" {
		return exitError{code: 2, msg: fmt.Sprintf("--quality-at %q: quality runs in this process; add --quality=false to ask another one", f.qualityAt)}
	}
	if f.replicas != 1 && f.replicas != 3 && f.replicas != 5 {
		return exitError{code: 2, msg: fmt.Sprintf("--replicas %d: 1, or 3 or 5 on a cluster of at least so many servers", f.replicas)}
	}
	if f.replicas > 1 && f.busURL == "" {
		return exitError{code: 2, msg: fmt.Sprintf("--replicas %d: the bus inside this process is one server; name a cluster's with --bus", f.replicas)}
	}
	// First, so that a refused address leaves nothing half started.
	lis, opts, err := listenRPC(f.listen, f.anywhere, log)
	if err != nil {
		return err
	}
	defer closeListener(lis, &err)
	if f.busURL == "" {
		srv, err := startBus(f.data, f.busListen, f.anywhere, nil, log)
		if err != nil {
			return err
		}
		defer srv.Shutdown()
		f.busURL = srv.URL()
	}
	if f.stationBus == "" {
		f.stationBus = f.busURL
	}
	nc, err := bus.Connect(ctx, f.busURL, "authority", log.Named("bus"))
	if err != nil {
		return err
	}
	defer nc.Close()
	svc, err := authority.Open(ctx, authority.Config{
		Dir: filepath.Join(f.data, "authority"), Database: f.database, Replicas: f.replicas, Log: log.Named("authority"), Now: time.Now, NATS: nc, BusURL: f.stationBus,
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, svc.Close()) }()
	opts.Authorise = authorise(svc, f.anywhere)
	c := &centre{log: log, srv: rpc.NewServer(log.Named("rpc"), opts), lis: lis}
	svc.Register(c.srv)
	c.runs = append(c.runs, svc.Run)
	if f.quality {
		qc, err := bus.Connect(ctx, f.busURL, "quality", log.Named("bus"))
		if err != nil {
			return err
		}
		defer qc.Close()
		q, err := c.addQuality(ctx, f.data, f.database, qc, svc.KeyLists(), svc.Sites)
		if err != nil {
			return err
		}
		svc.WatchRates(q)
		return c.run(ctx)
	}
	if f.qualityAt == "" {
		log.Info("nobody watches the waves of rollouts; name a quality process with --quality-at")
		return c.run(ctx)
	}
	token, err := callerToken("")
	if err != nil {
		return err
	}
	cc, err := rpc.Dial(f.qualityAt, rpc.WithToken(token))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, cc.Close()) }()
	svc.WatchRates(authority.AskQuality(pb.NewQualityServiceClient(cc)))
	return c.run(ctx)
}

// authorise asks the authority who may call what. With anywhere, callers
// without a token from beyond this machine may do what those on it may.
func authorise(svc *authority.Service, anywhere bool) rpc.Authoriser {
	if !anywhere {
		return svc.Authorise
	}
	return func(ctx context.Context, method string) (rpc.Caller, error) {
		return svc.Authorise(rpc.AsLocal(ctx), method)
	}
}

// centre is one gRPC server and what runs beside it.
type centre struct {
	log  *zap.Logger
	srv  *grpc.Server
	lis  net.Listener
	runs []func(context.Context) error
}

func (c *centre) addQuality(ctx context.Context, data, database string, nc *nats.Conn, keyLists [][]byte, sites quality.SiteSource) (*quality.Service, error) {
	q, err := quality.Open(ctx, quality.Config{
		Dir: filepath.Join(data, "quality"), Database: database, Log: c.log, Now: time.Now, NATS: nc, KeyLists: keyLists, Sites: sites,
	})
	if err != nil {
		return nil, err
	}
	q.Register(c.srv)
	c.runs = append(c.runs, func(ctx context.Context) error {
		err := q.Run(ctx)
		// Closing ends the streams of its subscribers, which the server's
		// graceful stop would otherwise wait for.
		return errors.Join(err, q.Close())
	})
	return q, nil
}

// run returns when ctx has ended and everything has stopped, or with the first
// failure.
func (c *centre) run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	for _, r := range c.runs {
		g.Go(func() error { return r(ctx) })
	}
	g.Go(func() error { return rpc.Serve(ctx, c.srv, c.lis, c.log) })
	return g.Wait()
}
