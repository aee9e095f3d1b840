//go:build !station

package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"golang.org/x/term"

	"samecup.example/samecup/cmd/samecup/internal/demo"
)

func demoCommand() *cobra.Command {
	opts := demo.Options{}
	var once, season, asJSON bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run a whole invented chain in one process and show what happens",
		Long: `Starts the bus, the authority, quality and four stations of the invented chain
Harbour & Finch in this process, with simulated baristas who get something
wrong now and then, and shows each deviation as it is counted. The console, for
head office and the quality lead, answers at the address that it prints. Data
stay in --data; the next start continues from them.

With --once it runs a short shift as fast as it goes: the bus goes away and
comes back, a station is stopped and started again, a second release goes out;
then what the centre says is held against what really happened. Exit code 0:
nothing lost, duplicated, missed or made up; 1: something was; 2: bad flags.

With --launch it tells step by step how an autumn menu reaches forty sites in
three time zones: a draft with cautions, four eyes, two sites that go first with a
slip in the recipe, the test that halts them, roll-back and mending, all sites over
the night of a clock change with the bus away, an allergen stop, and one site with
a departure of its own; stations go off and on throughout. At the end each
station's book is compared with what the authority resolves for its site, byte for
byte. The console, by the clock of the story, stays until Ctrl-C; with --once the
story ends the run. Data go to a temporary directory, which is kept when something
went wrong, or to --data, which must be empty and is kept always. Exit code 0: all
went as told; 1: something did not; 2: bad flags.`,
		Example: `  samecup demo
  samecup demo --data ./chain --seed 3
  samecup demo --once --seed 7 --json
  samecup demo --launch
  samecup demo --launch --once --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if season {
				return demoLaunch(cmd, opts, once, asJSON)
			}
			if opts.FaultRate < 0 || opts.FaultRate > 1 {
				return exitError{code: 2, msg: fmt.Sprintf("--faults %v: allowed are 0 to 1", opts.FaultRate)}
			}
			if opts.Pace <= 0 {
				return exitError{code: 2, msg: fmt.Sprintf("--pace %s: allowed are times above 0, such as 2s", opts.Pace)}
			}
			if once {
				return demoOnce(cmd, opts, asJSON)
			}
			return demoLive(cmd, opts)
		},
	}
	f := cmd.Flags()
	f.StringVar(&opts.Dir, "data", "", "directory for all data (default: samecup/demo in the user's cache; with --once or --launch a temporary one)")
	databaseFlag(cmd, &opts.Database)
	f.Uint64Var(&opts.Seed, "seed", 1, "seed of the simulated baristas")
	f.StringVar(&opts.Listen, "listen", "127.0.0.1:0", "the centre's address on this machine; port 0 takes a free one")
	f.StringVar(&opts.Console, "console", "127.0.0.1:0", "address of the web pages on this machine; port 0 takes a free one")
	f.Float64Var(&opts.FaultRate, "faults", 0.06, "share of builds with a fault, 0 to 1")
	f.DurationVar(&opts.Pace, "pace", 2*time.Second, "mean time between two builds of a station")
	f.BoolVar(&once, "once", false, "run one short shift, hold it against the truth and end")
	f.BoolVar(&season, "launch", false, "play a season's launch at forty sites in place of a shift")
	f.IntVar(&opts.Builds, "builds", 300, "builds of each station, with --once")
	f.BoolVar(&asJSON, "json", false, "with --once, of a shift or a launch: print one JSON object and nothing else")
	return cmd
}

// program is how this binary was started, for commands that are shown to be
// typed: "go run" builds into a folder of its own that is soon gone.
func program() string {
	if exe, err := os.Executable(); err == nil && strings.Contains(exe, "go-build") {
		return "go run ./cmd/samecup"
	}
	return os.Args[0]
}

func demoLive(cmd *cobra.Command, opts demo.Options) error {
	opts.Program = program()
	if opts.Dir == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			return exitError{code: 2, msg: fmt.Sprintf("no cache directory to keep data in: %v; name one with --data", err)}
		}
		opts.Dir = filepath.Join(cache, "samecup", "demo")
	}
	log, done, err := demoLog(opts.Dir)
	if err != nil {
		return err
	}
	defer done()
	opts.Log, opts.Out = log, cmd.OutOrStdout()
	if out, ok := opts.Out.(*os.File); ok {
		opts.Terminal = term.IsTerminal(int(out.Fd()))
	}
	return demo.Live(cmd.Context(), opts)
}

func demoOnce(cmd *cobra.Command, opts demo.Options, asJSON bool) error {
	if opts.Builds < 4 {
		return exitError{code: 2, msg: fmt.Sprintf("--builds %d: each station needs at least 4", opts.Builds)}
	}
	kept := opts.Dir != ""
	if !kept {
		dir, err := os.MkdirTemp("", "samecup-demo-")
		if err != nil {
			return fmt.Errorf("make a temporary directory: %w", err)
		}
		opts.Dir = dir
	}
	log, done, err := demoLog(opts.Dir)
	if err != nil {
		return err
	}
	opts.Log = log
	res, err := demo.Once(cmd.Context(), opts)
	done()
	where := func() string { return "data and log are left in " + opts.Dir }
	if err != nil {
		return fmt.Errorf("%w; %s", err, where())
	}
	if asJSON {
		if err := json.NewEncoder(cmd.OutOrStdout()).Encode(res); err != nil {
			return err
		}
	} else {
		fmt.Fprintln(cmd.OutOrStdout(), res)
	}
	for _, t := range res.Troubles {
		fmt.Fprintln(cmd.ErrOrStderr(), t)
	}
	if !res.Proven() {
		return exitError{code: 1, msg: "the shift proves a fault; " + where()}
	}
	if !kept {
		return os.RemoveAll(opts.Dir)
	}
	return nil
}

// demoLog logs to a file beside the data, so that the screen stays readable.
func demoLog(dir string) (*zap.Logger, func(), error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, nil, fmt.Errorf("data directory: %w", err)
	}
	cfg := zap.NewProductionConfig()
	cfg.Sampling = nil
	cfg.OutputPaths = []string{filepath.Join(dir, "demo.log")}
	cfg.ErrorOutputPaths = cfg.OutputPaths
	log, err := cfg.Build()
	if err != nil {
		return nil, nil, fmt.Errorf("open the log: %w", err)
	}
	return log, func() { _ = log.Sync() }, nil
}
