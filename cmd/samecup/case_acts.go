//go:build !station

package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/report"
)

// caseAct is what each command that changes a case has.
type caseAct struct {
	casesAt
	by, etag string
}

func (a *caseAct) flags(cmd *cobra.Command) {
	a.casesAt.flags(cmd)
	cmd.Flags().StringVar(&a.by, "by", userName(), "role or pseudonym of who states it; with a person's token, the person is named instead")
	cmd.Flags().StringVar(&a.etag, "etag", "", "refuse where the case was changed since it had this etag")
}

// done tells how the case stands now.
func (a *caseAct) done(w io.Writer, k *pb.Case) error {
	if a.json {
		return report.WriteJSON(w, k)
	}
	_, err := fmt.Fprintf(w, "case %s is %s; owner: %s\n", k.Id, stageWord(k.Stage), dash(k.Owner))
	return err
}

// update makes a command that states one thing of a case.
func caseUpdateCommand(use, short, example string, args int, flags func(*cobra.Command), state func(*pb.UpdateCaseRequest, []string) error) *cobra.Command {
	var a caseAct
	cmd := &cobra.Command{
		Use: use, Short: short, Example: example, Args: cobra.ExactArgs(args),
		RunE: func(cmd *cobra.Command, args []string) error {
			req := &pb.UpdateCaseRequest{RequestId: uuid.NewString(), Id: args[0], Etag: a.etag, Actor: a.by}
			if err := state(req, args); err != nil {
				return err
			}
			return a.call(cmd.Context(), func(ctx context.Context, client pb.CaseServiceClient) error {
				res, err := client.UpdateCase(ctx, req, grpc.WaitForReady(true))
				if err != nil {
					return err
				}
				return a.done(cmd.OutOrStdout(), res.Case)
			})
		},
	}
	a.flags(cmd)
	if flags != nil {
		flags(cmd)
	}
	return cmd
}

func caseOwnCommand() *cobra.Command {
	return caseUpdateCommand("own CASE OWNER", "Name who looks after a case", `  samecup case own C-00001 "store manager, Tannery Row"`, 2, nil,
		func(req *pb.UpdateCaseRequest, args []string) error { req.Owner = &args[1]; return nil })
}

func caseContainCommand() *cobra.Command {
	return caseUpdateCommand("contain CASE WORDS", "Say what holds the harm off for now", `  samecup case contain C-00001 "bar-1 grinds by a timed shot each hour"`, 2, nil,
		func(req *pb.UpdateCaseRequest, args []string) error { req.Containment = &args[1]; return nil })
}

func caseNoteCommand() *cobra.Command {
	return caseUpdateCommand("note CASE WORDS", "Add a note to a case's history", `  samecup case note C-00001 "the burrs are eleven months old"`, 2, nil,
		func(req *pb.UpdateCaseRequest, args []string) error { req.Note = &args[1]; return nil })
}

// fixFlags are those with which a cause is stated.
type fixFlags struct{ cause, done, prevents, at string }

func (f *fixFlags) fix(words string) (*pb.CaseFix, error) {
	fix := &pb.CaseFix{Cause: f.cause, Explanation: words, Done: f.done, Prevention: f.prevents}
	if f.at != "" {
		t, err := time.Parse(time.RFC3339, f.at)
		if err != nil {
			return nil, exitError{code: 2, msg: fmt.Sprintf("--at %q is not a time; write it as 2026-11-02T08:15:00Z", f.at)}
		}
		fix.FixTime = timestamppb.New(t)
	}
	return fix, nil
}

func caseCauseCommand() *cobra.Command {
	var f fixFlags
	cmd := caseUpdateCommand("cause CASE WORDS", "State what the cause was, what was done, and what prevents it",
		`  samecup case cause C-00001 "the burrs were worn" --cause grinder \
    --done "burrs replaced" --prevents "burr age is on the monthly list" --at 2026-11-02T08:15:00Z`, 2,
		func(cmd *cobra.Command) {
			cmd.Flags().StringVar(&f.cause, "cause", "", "code of the cause, such as grinder, probe, milk_lot; see case show")
			cmd.Flags().StringVar(&f.done, "done", "", "what was done")
			cmd.Flags().StringVar(&f.prevents, "prevents", "", "what prevents it from coming back")
			cmd.Flags().StringVar(&f.at, "at", "", "when the fix was made (default: now); builds after it tell whether it worked")
			for _, name := range []string{"cause", "done", "prevents"} {
				_ = cmd.MarkFlagRequired(name) // fails only for a flag that does not exist
			}
		},
		func(req *pb.UpdateCaseRequest, args []string) (err error) {
			req.Fix, err = f.fix(args[1])
			return err
		})
	return cmd
}

func casePreventCommand() *cobra.Command {
	var a caseAct
	cmd := &cobra.Command{
		Use:   "prevent CASE WORDS",
		Short: "State a better prevention for a cause that is on record",
		Long: `Prevent changes what prevents the fault and keeps the cause, what was done and
when. What the builds said since the fix is counted anew from here on.`,
		Example: `  samecup case prevent C-00001 "the burr counter of the grinder warns at 400 kg"`,
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd.Context(), func(ctx context.Context, client pb.CaseServiceClient) error {
				got, err := client.GetCase(ctx, &pb.GetCaseRequest{Id: args[0]}, grpc.WaitForReady(true))
				if err != nil {
					return err
				}
				fix := got.Case.Fix
				if fix == nil {
					return exitError{code: 1, msg: "case " + args[0] + " has no cause on record; state it with samecup case cause"}
				}
				fix.Prevention = args[1]
				if a.etag == "" {
					a.etag = got.Case.Etag
				}
				res, err := client.UpdateCase(ctx, &pb.UpdateCaseRequest{RequestId: uuid.NewString(), Id: args[0], Etag: a.etag, Actor: a.by, Fix: fix})
				if err != nil {
					return err
				}
				return a.done(cmd.OutOrStdout(), res.Case)
			})
		},
	}
	a.flags(cmd)
	return cmd
}

func caseCloseCommand() *cobra.Command {
	var a caseAct
	cmd := &cobra.Command{
		Use:   "close CASE",
		Short: "Close a case, if the builds after the fix say so",
		Long: `Close asks the builds since the fix. Where they cannot tell yet it says how many
more would do; where they say that nothing was mended it says that. Then it
exits with 1.`,
		Example: `  samecup case close C-00001`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd.Context(), func(ctx context.Context, client pb.CaseServiceClient) error {
				res, err := client.CloseCase(ctx, &pb.CloseCaseRequest{RequestId: uuid.NewString(), Id: args[0], Etag: a.etag, Actor: a.by}, grpc.WaitForReady(true))
				if err != nil {
					return err
				}
				if !a.json {
					fmt.Fprintln(cmd.OutOrStdout(), res.Effect.GetText())
				}
				return a.done(cmd.OutOrStdout(), res.Case)
			})
		},
	}
	a.flags(cmd)
	return cmd
}

func caseReopenCommand() *cobra.Command {
	var a caseAct
	cmd := &cobra.Command{
		Use:     "reopen CASE WORDS",
		Short:   "Open a closed case again by hand, with the reason",
		Example: `  samecup case reopen C-00001 "the probe was put back into use"`,
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd.Context(), func(ctx context.Context, client pb.CaseServiceClient) error {
				res, err := client.ReopenCase(ctx, &pb.ReopenCaseRequest{RequestId: uuid.NewString(), Id: args[0], Etag: a.etag, Actor: a.by, Reason: args[1]}, grpc.WaitForReady(true))
				if err != nil {
					return err
				}
				return a.done(cmd.OutOrStdout(), res.Case)
			})
		},
	}
	a.flags(cmd)
	return cmd
}
