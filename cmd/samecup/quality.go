//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/services/quality"
)

type qualityFlags struct {
	data, database, listen, busURL, trust, authority string
	anywhere                                         bool
}

func qualityCommand() *cobra.Command {
	var f qualityFlags
	cmd := &cobra.Command{
		Use:   "quality",
		Short: "Run quality as a process of its own",
		Long: `Run quality as a process of its own: it takes every station's log in from the
bus and judges each build again from the release and the stop list that the
build names.

The file that --trust names is the chain's first key list, signed; the authority
keeps it as authority/keys/keylist-1. Later lists are followed on the bus, and
what is trusted is kept in the database. The authority is asked for the sites,
for their regions and business days; while it is away the last answer counts.
It is asked too who may change a case, by the token that the call carries; while
it is away cases can be read and not changed.
An authority that is started with --quality-at asks back for the rates by which
it watches rollouts.`,
		Example: `  samecup quality --data /var/lib/samecup --bus nats://127.0.0.1:4222 \
    --trust /var/lib/samecup/authority/keys/keylist-1 --authority 127.0.0.1:7100`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runQuality(cmd.Context(), f) },
	}
	dataFlag(cmd, &f.data)
	databaseFlag(cmd, &f.database)
	anywhereFlag(cmd, &f.anywhere)
	fl := cmd.Flags()
	fl.StringVar(&f.listen, "listen", "127.0.0.1:7101", "address for gRPC calls")
	fl.StringVar(&f.busURL, "bus", "nats://"+busAddress, "URL of the bus")
	fl.StringVar(&f.trust, "trust", "", "`file` of the chain's first key list")
	fl.StringVar(&f.authority, "authority", authorityAddress, "address of the authority, to be asked for the sites and who may change what")
	_ = cmd.MarkFlagRequired("trust") // fails only for a flag that does not exist
	return cmd
}

func runQuality(ctx context.Context, f qualityFlags) (err error) {
	lists, err := readKeyLists(f.trust)
	if err != nil {
		return exitError{code: 2, msg: err.Error()}
	}
	log, err := processLog()
	if err != nil {
		return err
	}
	lis, opts, err := listenRPC(f.listen, f.anywhere, log)
	if err != nil {
		return err
	}
	defer closeListener(lis, &err)
	nc, err := bus.Connect(ctx, f.busURL, "quality", log.Named("bus"))
	if err != nil {
		return err
	}
	defer nc.Close()
	cc, err := rpc.Dial(f.authority)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, cc.Close()) }()
	if opts.Authorise == nil {
		opts.Authorise = rpc.LoopbackOnly
	}
	opts.Authorise = authority.AuthoriseElsewhere(pb.NewGovernanceServiceClient(cc), opts.Authorise)
	c := &centre{log: log, srv: rpc.NewServer(log.Named("rpc"), opts), lis: lis}
	if _, err := c.addQuality(ctx, f.data, f.database, nc, lists, askSites(pb.NewFleetServiceClient(cc))); err != nil {
		return err
	}
	return c.run(ctx)
}

// readKeyLists reads the key list to begin from.
func readKeyLists(path string) ([][]byte, error) {
	envelope, _, err := release.ReadKeyListFile(path)
	if err == nil {
		_, err = release.NewTrust(envelope)
	}
	if err != nil {
		return nil, fmt.Errorf("--trust %s: %w; copy the authority's keys/keylist-1 there", path, err)
	}
	return [][]byte{envelope}, nil
}

// sitesEvery is how often an authority in another process is asked.
const sitesEvery = time.Minute

// askSites asks the authority for the sites.
func askSites(fleet pb.FleetServiceClient) quality.SiteSource {
	return func(ctx context.Context) (sites []*pb.Site, changed <-chan struct{}, err error) {
		req := &pb.ListSitesRequest{PageSize: 1000}
		for {
			try, cancel := context.WithTimeout(ctx, callWait)
			page, err := fleet.ListSites(try, req)
			cancel()
			if err != nil {
				return nil, nil, fmt.Errorf("ask the authority for the sites: %w", err)
			}
			sites = append(sites, page.Sites...)
			if req.PageToken = page.NextPageToken; req.PageToken == "" {
				break
			}
		}
		again := make(chan struct{})
		time.AfterFunc(sitesEvery, func() { close(again) })
		return sites, again, nil
	}
}
