package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
)

const enrolDeadline = 30 * time.Second

func stationCommand() *cobra.Command {
	var dir, listen, code, centre, busURL string
	var anywhere bool
	cmd := &cobra.Command{
		Use:   "station --data DIR",
		Short: "Run the agent at one espresso machine",
		Long: `Run the agent at one espresso machine: it follows the signed releases, judges
each build that a tablet or an instrument sends, keeps it on disk, and sends it
to the centre when there is a bus. It needs no network to judge and to log.

A new directory is enrolled once, with a code that the centre made; later starts
with the same flags go on with what is there.`,
		Example: `  samecup station --data bar-1 --enrol CODE --centre 127.0.0.1:7100
  samecup station --data bar-1 --listen 127.0.0.1:7201`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			log, err := processLog()
			if err != nil {
				return err
			}
			defer func() { _ = log.Sync() }()
			if err := enrolOnce(ctx, dir, code, centre); err != nil {
				return err
			}
			lis, opts, err := listenRPC(listen, anywhere, log)
			if err != nil {
				return err
			}
			a, err := station.Open(ctx, station.Config{Dir: dir, Log: log, BusURL: busURL})
			if err != nil {
				return errors.Join(err, lis.Close())
			}
			srv := rpc.NewServer(log.Named("rpc"), opts)
			a.Register(srv)
			id := a.Identity()
			fmt.Fprintf(cmd.OutOrStdout(), "station %s/%s on %s\n", id.Site, id.Station, lis.Addr())
			g, ctx := errgroup.WithContext(ctx)
			g.Go(func() error { return a.Run(ctx) })
			g.Go(func() error { return rpc.Serve(ctx, srv, lis, log.Named("rpc")) })
			return errors.Join(g.Wait(), a.Close())
		},
	}
	f := cmd.Flags()
	f.StringVar(&dir, "data", "", "the station's `directory`: identity, releases and build log")
	f.StringVar(&listen, "listen", "127.0.0.1:0", "`address` for tablets and instruments, on this machine; port 0 takes a free one")
	f.StringVar(&code, "enrol", "", "enrolment `code` from the centre, for a new directory")
	f.StringVar(&centre, "centre", "", "`address` of the authority, for enrolment")
	f.StringVar(&busURL, "bus", "", "`URL` of the bus, instead of the one learnt at enrolment")
	anywhereFlag(cmd, &anywhere)
	_ = cmd.MarkFlagRequired("data")
	return cmd
}

// enrolOnce enrols a directory that holds no station yet.
func enrolOnce(ctx context.Context, dir, code, centre string) error {
	_, err := station.LoadIdentity(dir)
	if !errors.Is(err, station.ErrNotEnrolled) {
		return err
	}
	if code == "" || centre == "" {
		return exitError{code: 2, msg: err.Error() + "; use --enrol CODE --centre ADDRESS"}
	}
	cc, err := rpc.Dial(centre)
	if err != nil {
		return err
	}
	defer cc.Close()
	ctx, cancel := context.WithTimeout(ctx, enrolDeadline)
	defer cancel()
	return station.Enrol(ctx, dir, pb.NewFleetServiceClient(cc), code)
}
