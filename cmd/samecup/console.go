//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/services/console"
)

type consoleFlags struct {
	listen, authority, quality string
	hosts                      []string
}

func consoleCommand() *cobra.Command {
	var f consoleFlags
	cmd := &cobra.Command{
		Use:   "console",
		Short: "Serve the web pages of head office and the quality lead",
		Long: `Serve the console: web pages that show what needs somebody today, cases with
their evidence, sites, drinks and stations compared, and the builds beneath every
figure; and for head office drafts edited in place, their review, rollouts wave by
wave, stops, overlays, places and the record. It asks the authority and quality over gRPC and keeps nothing itself.

People sign in with the token that samecup person add gave them. While nobody was
added, whoever opens it on this machine may do everything. It binds an address on
this machine only; for others put a proxy with TLS before it, and name the host
that it answers to with --host.

Open pages are told of new deviations. For these the console asks quality itself,
with the token in SAMECUP_TOKEN where one is set.`,
		Example: `  samecup console
  samecup console --listen 127.0.0.1:8080 --authority 127.0.0.1:7100 --quality 127.0.0.1:7101
  samecup console --host console.example`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runConsole(cmd.Context(), cmd, f) },
	}
	fl := cmd.Flags()
	fl.StringVar(&f.listen, "listen", "127.0.0.1:7180", "address of the pages, on this machine; port 0 takes a free one")
	fl.StringVar(&f.authority, "authority", authorityAddress, "address of the authority")
	fl.StringVar(&f.quality, "quality", "", "address of quality (default: that of the authority)")
	fl.StringArrayVar(&f.hosts, "host", nil, "`name` under which a proxy leads here; may be given again")
	return cmd
}

func runConsole(ctx context.Context, cmd *cobra.Command, f consoleFlags) (err error) {
	token, err := callerToken("")
	if err != nil {
		return err
	}
	log, err := processLog()
	if err != nil {
		return err
	}
	lis, err := rpc.ListenLoopback(f.listen)
	if err != nil {
		return exitError{code: 2, msg: err.Error()}
	}
	defer closeListener(lis, &err)
	authority, err := rpc.Dial(f.authority)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, authority.Close()) }()
	quality := authority
	if f.quality != "" && f.quality != f.authority {
		if quality, err = rpc.Dial(f.quality); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, quality.Close()) }()
	}
	c, err := console.New(console.Config{Authority: authority, Quality: quality, Hosts: f.hosts, Token: token, Log: log.Named("console")})
	if err != nil {
		return err
	}
	log.Info("the console answers", zap.Stringer("address", lis.Addr()))
	fmt.Fprintf(cmd.OutOrStdout(), "http://%s/\n", lis.Addr())
	return c.Serve(ctx, lis)
}
