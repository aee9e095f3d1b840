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

func draftReviewCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "review DRAFT",
		Short: "Show what an approver must see: changes, cautions, missing approvals",
		Long: `Shows what a draft changes against the newest edition, why that is a safety change
where it is one, each caution with the id to acknowledge it by, and who still has to
approve. The last line is the command that approves exactly what was shown.`,
		Example: `  samecup draft review autumn-menu`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewDraftServiceClient(cc).ReviewDraft(ctx, &pb.ReviewDraftRequest{Name: resource("drafts", args[0])})
				return one(res, func(w io.Writer) {
					d := res.Draft
					fmt.Fprintf(w, "%s (%s), %s, save %d\n", d.Title, shortName(d.Name), draftState(d.State), d.Revision)
					approvalLines(w, d.Approvals)
					reviewPage{
						changes: res.Changes, cautions: res.Cautions, safety: res.SafetyReasons, needed: res.ApprovalsNeeded, rebase: res.NeedsRebase,
						approve: "samecup draft approve " + shortName(d.Name) + " --etag " + d.Etag,
					}.write(w)
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

func draftProposeCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "propose DRAFT",
		Short:   "Freeze a draft for approval",
		Long:    `Freezes a draft for approval. A book with errors is refused, an error a line.`,
		Example: `  samecup draft propose autumn-menu`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				etag, err := a.basis(draftEtag(ctx, cc, args[0]))
				if err != nil {
					return answer{}, err
				}
				res, err := pb.NewDraftServiceClient(cc).ProposeDraft(ctx, &pb.ProposeDraftRequest{RequestId: a.id(), Name: resource("drafts", args[0]), Etag: etag})
				return draftAnswer(res.GetDraft()), err
			})
		},
	}
	a.updates(cmd)
	return cmd
}

func draftEtag(ctx context.Context, cc *grpc.ClientConn, id string) func() (string, error) {
	return func() (string, error) {
		d, err := getDraft(ctx, cc, id)
		return d.GetEtag(), err
	}
}

func draftApproveCommand() *cobra.Command {
	var a ask
	var role string
	var cautions []string
	cmd := &cobra.Command{
		Use:   "approve DRAFT --role ROLE",
		Short: "Approve a proposed draft in one of your roles",
		Long: `Approves a proposed draft. It is refused to whoever edited it, and until each
caution is acknowledged by the id that "draft review" prints. A safety change needs
an approver and somebody for food safety. Give --etag from the review, so that
nothing is approved that was not shown.`,
		Example: `  samecup draft approve autumn-menu --role approver --caution 1a2b3c4d --as ben.token`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				etag, err := a.basis(draftEtag(ctx, cc, args[0]))
				if err != nil {
					return answer{}, err
				}
				res, err := pb.NewDraftServiceClient(cc).ApproveDraft(ctx, &pb.ApproveDraftRequest{
					RequestId: a.id(), Name: resource("drafts", args[0]), Etag: etag, Role: role, Cautions: cautions,
				})
				return draftAnswer(res.GetDraft()), err
			})
		},
	}
	a.updates(cmd)
	approveFlags(cmd, &role, &cautions)
	return cmd
}

// approveFlags are those of a person who approves.
func approveFlags(cmd *cobra.Command, role *string, cautions *[]string) {
	cmd.Flags().StringVar(role, "role", "approver", `in which role: "approver" or "food-safety"`)
	cmd.Flags().StringArrayVar(cautions, "caution", nil, "id of a caution that is acknowledged, from the review")
}

func draftReturnCommand() *cobra.Command {
	var a ask
	var reason string
	cmd := &cobra.Command{
		Use:     "return DRAFT --reason TEXT",
		Short:   "Send a proposed draft back to its author with a reason",
		Example: `  samecup draft return autumn-menu --reason "The lid does not close at 5 mm headspace"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewDraftServiceClient(cc).ReturnDraft(ctx, &pb.ReturnDraftRequest{RequestId: a.id(), Name: resource("drafts", args[0]), Reason: reason})
				return draftAnswer(res.GetDraft()), err
			})
		},
	}
	a.writes(cmd)
	reasonFlag(cmd, &reason, true)
	return cmd
}

func draftWithdrawCommand() *cobra.Command {
	var a ask
	var reason string
	cmd := &cobra.Command{
		Use:     "withdraw DRAFT",
		Short:   "End a draft that will not be released",
		Example: `  samecup draft withdraw autumn-menu --reason "Put off until spring"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewDraftServiceClient(cc).WithdrawDraft(ctx, &pb.WithdrawDraftRequest{RequestId: a.id(), Name: resource("drafts", args[0]), Reason: reason})
				return draftAnswer(res.GetDraft()), err
			})
		},
	}
	a.writes(cmd)
	reasonFlag(cmd, &reason, false)
	return cmd
}

// reasonFlag adds the flag that says why; the record keeps it.
func reasonFlag(cmd *cobra.Command, reason *string, needed bool) {
	cmd.Flags().StringVar(reason, "reason", "", "why; the record keeps it")
	if needed {
		_ = cmd.MarkFlagRequired("reason") // the flag is there
	}
}
