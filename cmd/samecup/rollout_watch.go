//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/report"
)

// streamPause is between the end of a stream and the next attempt.
const streamPause = time.Second

func rolloutWatchCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "watch [EDITION]",
		Short: "Follow a rollout as stations take it up",
		Long: `Follows a rollout: on a terminal one line with a bar, elsewhere a line for each
change. It ends when the rollout has ended and every station that should has the
edition, or when it was rolled back or replaced, or when it is interrupted; it connects again by
itself.`,
		Example: `  samecup rollout watch 12
  samecup rollout watch 12 --json | jq .adoption`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.open(cmd, func(ctx context.Context, cc *grpc.ClientConn) error {
				client := pb.NewRolloutServiceClient(cc)
				first, cancel := context.WithTimeout(ctx, callWait)
				name, err := rolloutNamed(first, client, args)
				cancel()
				if err != nil {
					return err
				}
				out := cmd.OutOrStdout()
				live := newLiveLine(out)
				defer live.end()
				settled := false
				return follow(ctx, func(ctx context.Context) error {
					stream, err := client.WatchRollout(ctx, &pb.WatchRolloutRequest{Name: name})
					if err != nil {
						return err
					}
					for !settled {
						res, err := stream.Recv()
						if err != nil {
							return err
						}
						if a.json {
							err = report.WriteJSON(out, res.Rollout)
						} else {
							err = live.show(watchLine(res.Rollout, live.terminal))
						}
						if err != nil {
							return err
						}
						settled = rolloutSettled(res.Rollout)
					}
					return nil
				})
			})
		},
	}
	a.reads(cmd)
	return cmd
}

// rolloutSettled reports whether nothing more is to be waited for.
func rolloutSettled(r *pb.Rollout) bool {
	switch r.State {
	case pb.RolloutState_ROLLOUT_STATE_ROLLED_BACK, pb.RolloutState_ROLLOUT_STATE_REPLACED:
		return true
	case pb.RolloutState_ROLLOUT_STATE_COMPLETE:
		return r.Adoption.GetHasIt() >= r.Adoption.GetExpected()
	}
	return false
}

func watchLine(r *pb.Rollout, bar bool) string {
	a := r.Adoption
	if a == nil {
		a = &pb.AdoptionCounts{}
	}
	drawn := ""
	if bar {
		drawn = progressBar(uint64(max(a.HasIt, 0)), uint64(max(a.Expected, 0))) + " "
	}
	line := fmt.Sprintf("edition %d %s, wave %d of %d: %s%s", r.Edition, rolloutState(r.State), r.OpenWaves, len(r.Waves), drawn, adoptionWords(a))
	if r.Report != nil {
		line += "; the test says: " + stateWords(r.Report.Advice, "WAVE_ADVICE_")
	}
	return line
}

// follow reads a stream until it returns nil or ctx ends, and begins again when
// the connection is lost: servers end long streams now and then.
func follow(ctx context.Context, read func(context.Context) error) error {
	for {
		err := read(ctx)
		if err == nil || ctx.Err() != nil {
			return nil // interrupted: what was shown is right
		}
		if !errors.Is(err, io.EOF) && status.Code(err) != codes.Unavailable {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(streamPause):
		}
	}
}

// liveLine rewrites one line on a terminal; elsewhere it writes each new line
// once.
type liveLine struct {
	out      io.Writer
	terminal bool
	width    int
	last     string
}

func newLiveLine(out io.Writer) *liveLine {
	l := &liveLine{out: out}
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		l.terminal = true
		if w, _, err := term.GetSize(int(f.Fd())); err == nil {
			l.width = w
		}
	}
	return l
}

func (l *liveLine) show(line string) error {
	line = printable(oneLine(line))
	if line == l.last {
		return nil
	}
	l.last = line
	if !l.terminal {
		_, err := fmt.Fprintln(l.out, line)
		return err
	}
	// A line that wraps could not be rewritten.
	if r := []rune(line); l.width > 1 && len(r) >= l.width {
		line = string(r[:l.width-1])
	}
	_, err := fmt.Fprintf(l.out, "\r\x1b[K%s", line)
	return err
}

// end leaves the cursor on a fresh line.
func (l *liveLine) end() {
	if l.terminal && l.last != "" {
		fmt.Fprintln(l.out)
	}
}
