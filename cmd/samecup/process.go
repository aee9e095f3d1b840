package main

import (
	"errors"
	"fmt"
	"net"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"samecup.example/samecup/internal/rpc"
)

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

// closeListener closes a listener that a server may have closed already.
func closeListener(lis net.Listener, err *error) {
	if e := lis.Close(); e != nil && !errors.Is(e, net.ErrClosed) {
		*err = errors.Join(*err, fmt.Errorf("close %s: %w", lis.Addr(), e))
	}
}
