package main

import (
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"strconv"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
)

const busAddress = "127.0.0.1:4222"

func busCommand() *cobra.Command {
	var data, listen string
	var anywhere bool
	cmd := &cobra.Command{
		Use:   "bus",
		Short: "Run the bus as a process of its own",
		Long: `Run the bus as a process of its own: a NATS server with JetStream that syncs
each write before it acknowledges. samecup authority runs one inside itself
unless --bus names another.`,
		Example: `  samecup bus --data /var/lib/samecup --listen 127.0.0.1:4222`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			log, err := processLog()
			if err != nil {
				return err
			}
			srv, err := startBus(data, listen, anywhere, log)
			if err != nil {
				return err
			}
			defer srv.Shutdown()
			<-cmd.Context().Done()
			return nil
		},
	}
	dataFlag(cmd, &data)
	cmd.Flags().StringVar(&listen, "listen", busAddress, "address to listen on; port 0 takes a free one")
	anywhereFlag(cmd, &anywhere)
	return cmd
}

// startBus starts a bus that keeps its streams under data/bus.
func startBus(data, listen string, anywhere bool, log *zap.Logger) (*bus.Server, error) {
	host, portText, err := net.SplitHostPort(listen)
	if err != nil {
		return nil, exitError{code: 2, msg: fmt.Sprintf("bus address %q: write host:port, such as %s", listen, busAddress)}
	}
	port, err := strconv.ParseUint(portText, 10, 16)
	if err != nil {
		return nil, exitError{code: 2, msg: fmt.Sprintf("bus address %q: the port is a number from 0 to 65535", listen)}
	}
	if !loopback(host) {
		if !anywhere {
			return nil, exitError{code: 2, msg: fmt.Sprintf("bus address %q is not on this machine alone: clients have no identities yet; use 127.0.0.1, or --insecure-listen-anywhere on a network that is closed by other means", listen)}
		}
		warnAnywhere(log, listen)
		if host == "" {
			host = "0.0.0.0" // an empty host would mean the loopback address
		}
	}
	cfg := bus.ServerConfig{StoreDir: filepath.Join(data, "bus"), Host: host, Port: int(port), Log: log.Named("bus")}
	if port == 0 {
		cfg.Port = -1
	}
	return bus.StartServer(cfg)
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// listenRPC listens for calls: on this machine alone, unless told otherwise.
func listenRPC(addr string, anywhere bool, log *zap.Logger) (net.Listener, rpc.Options, error) {
	if !anywhere {
		lis, err := rpc.ListenLoopback(addr)
		if err != nil {
			return nil, rpc.Options{}, exitError{code: 2, msg: err.Error() + " (--insecure-listen-anywhere lifts this on a network that is closed by other means)"}
		}
		return lis, rpc.Options{}, nil
	}
	warnAnywhere(log, addr)
	lis, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, rpc.Options{}, fmt.Errorf("listen on %s: %w", addr, err)
	}
	return lis, rpc.Options{Authorise: rpc.Anyone}, nil
}

func warnAnywhere(log *zap.Logger, addr string) {
	log.Warn("INSECURE: anybody who reaches this address may call; nothing is encrypted and nobody is asked who they are",
		zap.String("address", addr))
}

func dataFlag(cmd *cobra.Command, data *string) {
	cmd.Flags().StringVar(data, "data", "samecup-data", "directory for all data; the next start continues from it")
}

func anywhereFlag(cmd *cobra.Command, anywhere *bool) {
	cmd.Flags().BoolVar(anywhere, "insecure-listen-anywhere", false, "allow addresses beyond this machine, with no identities and no encryption")
}

// processLog makes the log of a long-running process: JSON lines on standard
// error.
func processLog() (*zap.Logger, error) {
	cfg := zap.NewProductionConfig()
	cfg.DisableStacktrace, cfg.DisableCaller = true, true
	cfg.EncoderConfig.EncodeTime = zapcore.RFC3339NanoTimeEncoder
	log, err := cfg.Build()
	if err != nil {
		return nil, errors.Join(errors.New("set up the log"), err)
	}
	return log, nil
}
