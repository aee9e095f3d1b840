//go:build !station

package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func rolloutCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rollout",
		Short: "Take an approved draft to the counters in waves",
		Long: `Takes an approved draft to the counters in waves. Starting makes an edition: it is
numbered, signed and sent, and the first wave opens. Each further wave is a person's
act. A rollout is called by its edition's number; without one the newest is meant.`,
		Example: `  samecup rollout start autumn-menu --wave sites:tannery-row --wave 20% --wave all --on 2026-10-25
  samecup rollout watch
  samecup rollout go`,
	}
	cmd.AddCommand(rolloutStartCommand(), rolloutListCommand(), rolloutShowCommand(), rolloutAdoptionCommand(),
		rolloutWatchCommand(), rolloutGoCommand(), rolloutHaltCommand(), rolloutResumeCommand(), rolloutBackCommand())
	return cmd
}

func rolloutStartCommand() *cobra.Command {
	var a ask
	var waves []string
	var when whenFlags
	var training int32
	var note string
	var replaces uint64
	test := &pb.WaveTest{}
	cmd := &cobra.Command{
		Use:   "start DRAFT --wave WAVE...",
		Short: "Make an edition of an approved draft and open its first wave",
		Long: `Makes an edition of an approved draft and opens its first wave. It is refused while
another rollout is not ended. Waves, in their order, are

  sites:tannery-row,lantern-hill   these sites
  20%                              that share of all sites, earlier waves counted
  all                              every site that is left

With --replaces the edition takes the place of one whose rollout is halted, which is
the way out where that cannot be rolled back, as when it alone declares an allergen.
The first wave then takes in every site that was left on a halted edition, whatever
else it names, and these do not wait for training.

The error rates of the test that compares the open waves with their own past and
with the other sites are chosen here and not changed later.`,
		Example: `  samecup rollout start autumn-menu --wave sites:tannery-row,lantern-hill --wave 20% --wave all \
    --on 2026-10-25 --at opening --training 90
  samecup rollout start autumn-mended --replaces 12 --wave sites:tannery-row --wave all`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			req := &pb.CreateRolloutRequest{RequestId: a.id(), Draft: resource("drafts", args[0]), TrainingPercent: training, Note: note, Test: test}
			if replaces != 0 {
				req.Replaces = fmt.Sprintf("rollouts/%d", replaces)
			}
			var err error
			if req.Waves, err = parseWaves(waves); err != nil {
				return err
			}
			if req.When, err = when.parse(); err != nil {
				return err
			}
			if training < 0 || training > 100 {
				return exitError{code: 2, msg: fmt.Sprintf("--training %d: write a percentage of a site's people from 0 to 100", training)}
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewRolloutServiceClient(cc).CreateRollout(ctx, req)
				return one(res.GetRollout(), func(w io.Writer) {
					fmt.Fprintf(w, "edition %d is on its way.\n", res.Rollout.Edition)
					writeRollout(w, res.Rollout)
				}), err
			})
		},
	}
	a.writes(cmd)
	when.flags(cmd)
	f := cmd.Flags()
	f.StringArrayVar(&waves, "wave", nil, "sites:A,B, a share such as 20%, or all; once for each wave (required)")
	f.Int32Var(&training, "training", 0, "percentage of a site's people that must have acknowledged the cards first; safety changes do not wait")
	f.Uint64Var(&replaces, "replaces", 0, "edition whose halted rollout this one takes the place of")
	f.StringVar(&note, "note", "", "one line on what changed")
	f.Float64Var(&test.FalseAlarm, "false-alarm", 0, "chance of advising to roll back when nothing got worse (default 0.05)")
	f.Float64Var(&test.MissedHarm, "missed-harm", 0, "chance of advising to go on when it got worse by the ratio (default 0.10)")
	f.Float64Var(&test.HarmfulRatio, "harmful-ratio", 0, "rise of the deviation rate that must not be missed, above 1 (default 1.5)")
	_ = cmd.MarkFlagRequired("wave") // the flag is there
	return cmd
}

func rolloutListCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the rollouts, newest first",
		Example: `  samecup rollout list`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				all, err := pages(func(token string) ([]*pb.Rollout, string, error) {
					res, err := pb.NewRolloutServiceClient(cc).ListRollouts(ctx, &pb.ListRolloutsRequest{PageSize: 500, PageToken: token})
					return res.GetRollouts(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, r := range all {
						rows = append(rows, []any{r.Edition, rolloutState(r.State), fmt.Sprintf("%d of %d", r.OpenWaves, len(r.Waves)), shortName(r.Draft), r.Author, clock(r.CreateTime), r.Reason})
					}
					grid(w, "EDITION|STATE|WAVES OPEN|DRAFT|AUTHOR|STARTED|REASON", "There is no rollout yet.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

// rolloutNamed names the rollout that is meant: the one given, else the newest.
func rolloutNamed(ctx context.Context, client pb.RolloutServiceClient, args []string) (string, error) {
	if len(args) > 0 {
		return resource("rollouts", args[0]), nil
	}
	res, err := client.ListRollouts(ctx, &pb.ListRolloutsRequest{PageSize: 1})
	if err != nil {
		return "", err
	}
	if len(res.Rollouts) == 0 {
		return "", exitError{code: 1, msg: "there is no rollout yet; begin one with samecup rollout start"}
	}
	return res.Rollouts[0].Name, nil
}

func getRollout(ctx context.Context, client pb.RolloutServiceClient, args []string) (*pb.Rollout, error) {
	name, err := rolloutNamed(ctx, client, args)
	if err != nil {
		return nil, err
	}
	res, err := client.GetRollout(ctx, &pb.GetRolloutRequest{Name: name})
	return res.GetRollout(), err
}

func rolloutShowCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "show [EDITION]",
		Short:   "Show a rollout: waves, the test's advice, releases, adoption",
		Example: `  samecup rollout show 12`,
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				r, err := getRollout(ctx, pb.NewRolloutServiceClient(cc), args)
				return one(r, func(w io.Writer) { writeRollout(w, r) }), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

func rolloutAdoptionCommand() *cobra.Command {
	var a ask
	var states []string
	cmd := &cobra.Command{
		Use:   "adoption [EDITION]",
		Short: "List station by station how far an edition has come",
		Example: `  samecup rollout adoption
  samecup rollout adoption 12 --state silent --state refused`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			req := &pb.ListAdoptionRequest{PageSize: 1000}
			for _, s := range states {
				v, err := parseAdoption(s)
				if err != nil {
					return err
				}
				req.States = append(req.States, v)
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				client := pb.NewRolloutServiceClient(cc)
				var err error
				if req.Name, err = rolloutNamed(ctx, client, args); err != nil {
					return answer{}, err
				}
				all, err := pages(func(token string) ([]*pb.Adoption, string, error) {
					req.PageToken = token
					res, err := client.ListAdoption(ctx, req)
					return res.GetAdoptions(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, s := range all {
						rows = append(rows, []any{s.Site, s.Station, stateWords(s.State, "ADOPTION_STATE_"), number(s.Release), clock(s.StartTime), clock(s.PresenceTime), s.Detail})
					}
					grid(w, "SITE|STATION|STATE|RELEASE|IN FORCE FROM|HEARD|DETAIL", "There is no such station.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	cmd.Flags().StringArrayVar(&states, "state", nil, "only these: silent, stale, refused, has-it, in-force, uses-it")
	return cmd
}
