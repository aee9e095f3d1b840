package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/cmd/samecup/internal/lean"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station"
	"samecup.example/samecup/station/bar"
	"samecup.example/samecup/station/feed"
	"samecup.example/samecup/station/tablet"
)

const enrolDeadline = 30 * time.Second

type stationFlags struct {
	dir, listen, code, centre, busURL string
	tablet, language, mqtt, plan      string
	names                             []string
	anywhere                          bool
}

func stationCommand() *cobra.Command {
	var f stationFlags
	cmd := &cobra.Command{
		Use:   "station --data DIR",
		Short: "Run the agent at one espresso machine",
		Long: `Run the agent at one espresso machine: it follows the signed releases, judges
each build that a tablet or an instrument sends, keeps it on disk, and sends it
to the centre when there is a bus. It needs no network to judge and to log.

A new directory is enrolled once, with a code that the centre made; later starts
with the same flags go on with what is there.

--tablet serves the page for the machine. Instruments send their readings to
--listen (gRPC) or to --mqtt; "samecup station instruments" tells how they are
wired. --plan puts a sampling plan into the directory, where it stays; it is
followed from the next shift on. See docs/bar.md and docs/instruments.md.`,
		Example: `  samecup station --data bar-1 --enrol CODE --centre 127.0.0.1:7100
  samecup station --data bar-1 --listen 127.0.0.1:7201 --tablet 127.0.0.1:8080
  samecup station --data bar-1 --tablet 127.0.0.1:8080 --mqtt 127.0.0.1:1883 --plan plan.json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runStation(cmd.Context(), f, cmd.OutOrStdout()) },
	}
	fl := cmd.Flags()
	fl.StringVar(&f.dir, "data", "", "the station's `directory`: identity, releases and build log")
	fl.StringVar(&f.listen, "listen", "127.0.0.1:0", "`address` for gRPC calls of tablets and instruments, on this machine; port 0 takes a free one")
	fl.StringVar(&f.code, "enrol", "", "enrolment `code` from the centre, for a new directory")
	fl.StringVar(&f.centre, "centre", "", "`address` of the authority, for enrolment")
	fl.StringVar(&f.busURL, "bus", "", "`URL` of the bus, instead of the one learnt at enrolment")
	fl.StringVar(&f.tablet, "tablet", "", "`address` of the page for the machine (HTTP), such as 127.0.0.1:8080; none if empty")
	fl.StringVar(&f.language, "language", "en", "language of the page where a browser asks for none of ours: en or de")
	fl.StringSliceVar(&f.names, "tablet-name", nil, "a `name` that the page may be called by, beside localhost and IP addresses")
	fl.StringVar(&f.mqtt, "mqtt", "", "`address` for instruments that speak MQTT, such as 127.0.0.1:1883; none if empty")
	fl.StringVar(&f.plan, "plan", "", "`file` with a sampling plan, which is checked and kept in the directory")
	anywhereFlag(cmd, &f.anywhere)
	_ = cmd.MarkFlagRequired("data")
	cmd.AddCommand(stationInstrumentsCommand())
	return cmd
}

func runStation(ctx context.Context, f stationFlags, out io.Writer) (err error) {
	log, err := processLog()
	if err != nil {
		return err
	}
	defer func() { _ = log.Sync() }()
	lean.Keep(ctx)
	if err := enrolOnce(ctx, f.dir, f.code, f.centre); err != nil {
		return err
	}
	if f.plan != "" {
		raw, err := os.ReadFile(f.plan)
		if err != nil {
			return exitError{code: 2, msg: fmt.Sprintf("--plan: %v", err)}
		}
		if err := bar.KeepRoster(f.dir, raw); err != nil {
			return exitError{code: 2, msg: fmt.Sprintf("--plan %s: %v", f.plan, err)}
		}
	}
	lis, opts, err := listenRPC(f.listen, f.anywhere, log)
	if err != nil {
		return err
	}
	defer closeListener(lis, &err)
	a, err := station.Open(ctx, station.Config{Dir: f.dir, Log: log, BusURL: f.busURL})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.Close()) }()
	b, err := bar.New(ctx, bar.Config{Agent: a, Dir: f.dir, Log: log})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	srv := rpc.NewServer(log.Named("rpc"), opts)
	a.Register(srv)
	readings := feed.NewService(b, time.Now)
	readings.Register(srv)
	id := a.Identity()
	fmt.Fprintf(out, "station %s/%s on %s\n", id.Site, id.Station, lis.Addr())
	if f.mqtt != "" {
		br, err := startMQTT(f, b, log)
		if err != nil {
			return err
		}
		defer br.Close()
		fmt.Fprintf(out, "instruments over MQTT on %s\n", br.Addr())
	}
	g, ctx := errgroup.WithContext(ctx)
	if f.tablet != "" {
		page, err := tablet.New(tablet.Config{Bar: b, Log: log.Named("tablet"), Language: f.language, Hosts: f.names})
		if err != nil {
			return exitError{code: 2, msg: err.Error()}
		}
		web, _, err := listenRPC(f.tablet, f.anywhere, log)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "page on http://%s\n", web.Addr())
		g.Go(func() error { return servePage(ctx, page, web) })
	}
	g.Go(func() error { return a.Run(ctx) })
	g.Go(func() error { <-ctx.Done(); readings.Close(); return nil })
	g.Go(func() error { return rpc.Serve(ctx, srv, lis, log.Named("rpc")) })
	return g.Wait()
}

// startMQTT takes the same addresses as gRPC does.
func startMQTT(f stationFlags, b *bar.Bar, log *zap.Logger) (*feed.Broker, error) {
	host, _, err := net.SplitHostPort(f.mqtt)
	if err == nil && !loopback(host) {
		if !f.anywhere {
			return nil, exitError{code: 2, msg: fmt.Sprintf("--mqtt %q is not an address on this machine (--insecure-listen-anywhere lifts this on a network that is closed by other means)", f.mqtt)}
		}
		warnAnywhere(log, f.mqtt)
	}
	return feed.StartBroker(b, feed.BrokerConfig{Address: f.mqtt, StoreDir: filepath.Join(f.dir, "mqtt"), Now: time.Now, Log: log})
}

// servePage serves until ctx ends, and then lets answers be finished.
func servePage(ctx context.Context, page *tablet.Server, lis net.Listener) error {
	const header, answer, idle, grace = 10 * time.Second, 30 * time.Second, 2 * time.Minute, 5 * time.Second
	srv := &http.Server{Handler: page.Handler(), ReadHeaderTimeout: header, ReadTimeout: answer, IdleTimeout: idle}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(lis) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serve the page on %s: %w", lis.Addr(), err)
	case <-ctx.Done():
	}
	page.Close()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	if err := srv.Shutdown(ctx); err != nil {
		return srv.Close()
	}
	return nil
}

func stationInstrumentsCommand() *cobra.Command {
	var dir string
	var example bool
	cmd := &cobra.Command{
		Use:   "instruments --data DIR",
		Short: "How the instruments of a station are wired",
		Long: `Prints how the instruments of a station are wired: the file instruments.json in
its directory, checked, or the default where there is none. Change the file and
start the station anew; --default prints one to begin with.

instruments   by ID (1 to 64 of a to z, 0 to 9 and -): roles, of one kind each:
              dose, yield, cup_mass (a scale), shot_time (a timer), milk_temp,
              water_temp, serve_temp (a thermometer); each role once. interval_ms
              is how often it sends, if not as usual; on_demand, that it sends
              only when asked.
cup_on_scale  true where the whole cup is weighed without setting the scale to
              nought with the empty one on it.
grinder       id, finer_up (a higher number grinds finer), increment_milli (the
              smallest turn, thousandths of a step).

How readings are sent stands in docs/instruments.md; "samecup sim instruments"
plays three instruments to try it.`,
		Example: `  samecup station instruments --default > bar-1/instruments.json
  samecup station instruments --data bar-1`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			w := bar.DefaultWiring()
			switch {
			case example == (dir != ""):
				return exitError{code: 2, msg: "station instruments: name the station's directory with --data, or ask for the default with --default"}
			case dir != "":
				var err error
				if w, err = bar.LoadWiring(dir); err != nil {
					return exitError{code: 2, msg: err.Error()}
				}
			}
			raw, err := json.MarshalIndent(w, "", "  ")
			if err != nil {
				return fmt.Errorf("write the wiring: %w", err)
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), string(raw))
			return err
		},
	}
	cmd.Flags().StringVar(&dir, "data", "", "the station's `directory`")
	cmd.Flags().BoolVar(&example, "default", false, "print the default wiring")
	return cmd
}

// *bar.Bar is what the page drives.
var _ tablet.Bar = (*bar.Bar)(nil)

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
