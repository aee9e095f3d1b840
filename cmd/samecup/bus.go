//go:build !station

package main

import (
	"fmt"
	"net"
	"path/filepath"
	"strconv"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
)

const busAddress = "127.0.0.1:4222"

func busCommand() *cobra.Command {
	var data, listen, name, clusterListen string
	var routes []string
	var anywhere bool
	cmd := &cobra.Command{
		Use:   "bus",
		Short: "Run the bus as a process of its own",
		Long: `Run the bus as a process of its own: a NATS server with JetStream that syncs
each write before it acknowledges. samecup authority runs one inside itself
unless --bus names another.

Three or more make a cluster that goes on when one is lost: give each a --name
and --cluster-listen of its own, and all of them the same --routes. Then start
the authority with the addresses of all in --bus, and --replicas 3.`,
		Example: `  samecup bus --data /var/lib/samecup --listen 127.0.0.1:4222
  samecup bus --data /var/lib/samecup --name bus-1 --cluster-listen 127.0.0.1:6222 \
    --routes nats://127.0.0.1:6222,nats://127.0.0.1:6223,nats://127.0.0.1:6224`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			log, err := processLog()
			if err != nil {
				return err
			}
			cluster, err := clusterOf(name, clusterListen, routes, anywhere)
			if err != nil {
				return err
			}
			srv, err := startBus(data, listen, anywhere, cluster, log)
			if err != nil {
				return err
			}
			defer srv.Shutdown()
			<-cmd.Context().Done()
			return nil
		},
	}
	dataFlag(cmd, &data)
	fl := cmd.Flags()
	fl.StringVar(&listen, "listen", busAddress, "address to listen on; port 0 takes a free one")
	fl.StringVar(&name, "name", "", "this server's name in a cluster, another for each")
	fl.StringVar(&clusterListen, "cluster-listen", "", "address on which the cluster's other servers reach this one, such as 127.0.0.1:6222")
	fl.StringSliceVar(&routes, "routes", nil, "URLs of all servers of the cluster, such as nats://bus-2:6222")
	anywhereFlag(cmd, &anywhere)
	return cmd
}

// startBus starts a bus that keeps its streams under data/bus.
func startBus(data, listen string, anywhere bool, cluster *bus.Cluster, log *zap.Logger) (*bus.Server, error) {
	host, port, err := busListen(listen, anywhere)
	if err != nil {
		return nil, err
	}
	if !loopback(host) {
		warnAnywhere(log, listen)
	}
	cfg := bus.ServerConfig{StoreDir: filepath.Join(data, "bus"), Host: host, Port: port, Cluster: cluster, Log: log.Named("bus")}
	if port == 0 {
		cfg.Port = -1
	}
	return bus.StartServer(cfg)
}

// busListen reads an address of the bus and refuses one that others can reach,
// unless told to.
func busListen(listen string, anywhere bool) (host string, port int, err error) {
	host, portText, err := net.SplitHostPort(listen)
	if err != nil {
		return "", 0, exitError{code: 2, msg: fmt.Sprintf("bus address %q: write host:port, such as %s", listen, busAddress)}
	}
	n, err := strconv.ParseUint(portText, 10, 16)
	if err != nil {
		return "", 0, exitError{code: 2, msg: fmt.Sprintf("bus address %q: the port is a number from 0 to 65535", listen)}
	}
	if !loopback(host) && !anywhere {
		return "", 0, exitError{code: 2, msg: fmt.Sprintf("bus address %q is not on this machine alone: clients have no identities yet; use 127.0.0.1, or --insecure-listen-anywhere on a network that is closed by other means", listen)}
	}
	if host == "" {
		host = "0.0.0.0" // an empty host would mean the loopback address
	}
	return host, int(n), nil
}

// clusterOf reads the flags of a cluster: all of them or none.
func clusterOf(name, listen string, routes []string, anywhere bool) (*bus.Cluster, error) {
	if name == "" && listen == "" && len(routes) == 0 {
		return nil, nil
	}
	if name == "" || listen == "" || len(routes) == 0 {
		return nil, exitError{code: 2, msg: "a cluster needs --name, --cluster-listen and --routes; leave all of them out for a bus of one server"}
	}
	host, port, err := busListen(listen, anywhere)
	if err != nil {
		return nil, err
	}
	if port == 0 {
		return nil, exitError{code: 2, msg: fmt.Sprintf("--cluster-listen %q: the other servers must know the port; write one", listen)}
	}
	return &bus.Cluster{Name: name, Host: host, Port: port, Routes: routes}, nil
}

// databaseFlag is for what keeps its data in a file unless told otherwise.
func databaseFlag(cmd *cobra.Command, database *string) {
	cmd.Flags().StringVar(database, "database", "", "PostgreSQL database to use instead of a file, such as postgres://samecup@db.example/samecup?sslmode=verify-full; the password in PGPASSWORD or a pass file")
}

func dataFlag(cmd *cobra.Command, data *string) {
	cmd.Flags().StringVar(data, "data", "samecup-data", "directory for all data; the next start continues from it")
}
