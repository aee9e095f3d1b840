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

// rolloutAct runs a command that changes a rollout. The etag is that of the
// rollout as it is now, unless one was given.
func rolloutAct(cmd *cobra.Command, a *ask, args []string, act func(context.Context, pb.RolloutServiceClient, string) (*pb.Rollout, error)) error {
	return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
		client := pb.NewRolloutServiceClient(cc)
		r, err := getRollout(ctx, client, args)
		if err != nil {
			return answer{}, err
		}
		if a.etag == "" {
			a.etag = r.Etag
		}
		r, err = act(ctx, client, r.Name)
		return one(r, func(w io.Writer) { writeRollout(w, r) }), err
	})
}

func rolloutGoCommand() *cobra.Command {
	var a ask
	var when whenFlags
	var reason string
	cmd := &cobra.Command{
		Use:   "go [EDITION]",
		Short: "Open the next wave",
		Long: `Opens the next wave, at once or on a business day of its own. To go on against the
test's advice, or before it can tell, needs a reason.`,
		Example: `  samecup rollout go 12 --on 2026-10-28
  samecup rollout go 12 --reason "Head barista tasted at both sites"`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			w, err := when.parse()
			if err != nil {
				return err
			}
			return rolloutAct(cmd, &a, args, func(ctx context.Context, client pb.RolloutServiceClient, name string) (*pb.Rollout, error) {
				res, err := client.AdvanceRollout(ctx, &pb.AdvanceRolloutRequest{RequestId: a.id(), Name: name, Etag: a.etag, When: w, Reason: reason})
				return res.GetRollout(), err
			})
		},
	}
	a.updates(cmd)
	when.flags(cmd)
	reasonFlag(cmd, &reason, false)
	return cmd
}

func rolloutHaltCommand() *cobra.Command {
	var a ask
	var reason string
	cmd := &cobra.Command{
		Use:   "halt [EDITION] --reason TEXT",
		Short: "Keep further waves shut",
		Long: `Keeps further waves shut until somebody resumes. Sites that have the edition keep
it; "samecup rollout back" takes it away again, and "samecup rollout start --replaces"
puts a mended edition in its place.`,
		Example: `  samecup rollout halt 12 --reason "Foam collapses at tannery-row"`,
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			// No etag: a halt must not be refused because something else changed.
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				client := pb.NewRolloutServiceClient(cc)
				name, err := rolloutNamed(ctx, client, args)
				if err != nil {
					return answer{}, err
				}
				res, err := client.HaltRollout(ctx, &pb.HaltRolloutRequest{RequestId: a.id(), Name: name, Reason: reason})
				return one(res.GetRollout(), func(w io.Writer) { writeRollout(w, res.Rollout) }), err
			})
		},
	}
	a.writes(cmd)
	reasonFlag(cmd, &reason, true)
	return cmd
}

func rolloutResumeCommand() *cobra.Command {
	var a ask
	var reason string
	cmd := &cobra.Command{
		Use:     "resume [EDITION] --reason TEXT",
		Short:   "Let waves be opened again",
		Example: `  samecup rollout resume 12 --reason "It was one steam wand"`,
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return rolloutAct(cmd, &a, args, func(ctx context.Context, client pb.RolloutServiceClient, name string) (*pb.Rollout, error) {
				res, err := client.ResumeRollout(ctx, &pb.ResumeRolloutRequest{RequestId: a.id(), Name: name, Etag: a.etag, Reason: reason})
				return res.GetRollout(), err
			})
		},
	}
	a.updates(cmd)
	reasonFlag(cmd, &reason, true)
	return cmd
}

func rolloutBackCommand() *cobra.Command {
	var a ask
	var when whenFlags
	var reason string
	var to uint64
	cmd := &cobra.Command{
		Use:   "back --reason TEXT",
		Short: "Bring the content of an older edition back, as a new one",
		Long: `Makes a new edition with the content of an older one, for the sites of the open
waves; numbers only rise. It is refused when that content fails today's allergen or
lot facts; then mend it in a draft, and start that with --replaces.`,
		Example: `  samecup rollout back --reason "Foam collapses"
  samecup rollout back --to-edition 9 --reason "Supplier changed" --on 2026-10-26`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			w, err := when.parse()
			if err != nil {
				return err
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewRolloutServiceClient(cc).RollBack(ctx, &pb.RollBackRequest{RequestId: a.id(), ToEdition: to, Reason: reason, When: w})
				return one(res.GetRollout(), func(w io.Writer) {
					fmt.Fprintf(w, "edition %d brings the older content back.\n", res.Rollout.Edition)
					writeRollout(w, res.Rollout)
				}), err
			})
		},
	}
	a.writes(cmd)
	when.flags(cmd)
	reasonFlag(cmd, &reason, true)
	cmd.Flags().Uint64Var(&to, "to-edition", 0, "edition whose content comes back (default: the one before the newest)")
	return cmd
}
