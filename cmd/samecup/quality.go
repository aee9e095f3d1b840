package main

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
)

type qualityFlags struct {
	data, listen, busURL, trust string
	anywhere                    bool
}

func qualityCommand() *cobra.Command {
	var f qualityFlags
	cmd := &cobra.Command{
		Use:   "quality",
		Short: "Run quality as a process of its own",
		Long: `Run quality as a process of its own: it takes every station's log in from the
bus and judges each build again from the release that the build names.

The file that --trust names holds the authority's public keys in hexadecimal,
one a line; the authority keeps its own as authority/release-key.pub.`,
		Example: `  samecup quality --data /var/lib/samecup --bus nats://127.0.0.1:4222 \
    --trust /var/lib/samecup/authority/release-key.pub --listen 127.0.0.1:7101`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runQuality(cmd.Context(), f) },
	}
	dataFlag(cmd, &f.data)
	anywhereFlag(cmd, &f.anywhere)
	fl := cmd.Flags()
	fl.StringVar(&f.listen, "listen", "127.0.0.1:7101", "address for gRPC calls")
	fl.StringVar(&f.busURL, "bus", "nats://"+busAddress, "URL of the bus")
	fl.StringVar(&f.trust, "trust", "", "file of the public keys that releases must be signed with")
	_ = cmd.MarkFlagRequired("trust") // fails only for a flag that does not exist
	return cmd
}

func runQuality(ctx context.Context, f qualityFlags) (err error) {
	keys, err := readKeys(f.trust)
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
	c := &centre{log: log, srv: rpc.NewServer(log.Named("rpc"), opts), lis: lis}
	if err := c.addQuality(ctx, f.data, nc, keys); err != nil {
		return err
	}
	return c.run(ctx)
}

func readKeys(path string) ([]ed25519.PublicKey, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the trusted keys: %w", err)
	}
	var keys []ed25519.PublicKey
	for i, line := range strings.Split(string(text), "\n") {
		if line = strings.TrimSpace(line); line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		key, err := release.ParseKey(line)
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", path, i+1, err)
		}
		keys = append(keys, key)
	}
	if len(keys) == 0 {
		return nil, fmt.Errorf("%s holds no key; copy the authority's release-key.pub there", path)
	}
	return keys, nil
}
