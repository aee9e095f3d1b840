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

func overlayCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "overlay",
		Short: "Approved departures of a region or a site from the chain's book",
		Long: `Approved departures of a region or a site from the chain's book: single fields,
with a reason, on top of the edition. A scope has at most one overlay, and is what
it is called by: "region.north", "site.oyster-steps".`,
		Example: `  samecup overlay create site.oyster-steps --reason "Only the small boiler" drinks/latte.yaml checks.milk_temp.target '61 °C'
  samecup overlay review site.oyster-steps`,
	}
	cmd.AddCommand(overlayCreateCommand(), overlayListCommand(), overlayShowCommand(), overlayReviewCommand(),
		overlayApproveCommand(), overlayRebaseCommand(), overlayRetireCommand())
	return cmd
}

func overlayState(s pb.OverlayState) string { return stateWords(s, "OVERLAY_STATE_") }

// overlayAnswer tells how an overlay stands after an act.
func overlayAnswer(o *pb.Overlay, problems []*pb.Problem) answer {
	return one(o, func(w io.Writer) {
		errorLines(w, problems, "samecup overlay review "+o.Scope)
		fmt.Fprintf(w, "the overlay of %s is %s, on edition %s, with %s, etag %s\n", o.Scope, overlayState(o.State), number(o.BaseEdition), count(len(o.Edits), "edit"), o.Etag)
	})
}

func overlayCreateCommand() *cobra.Command {
	var a ask
	var reason string
	cmd := &cobra.Command{
		Use:   "create SCOPE FILE PATH VALUE... --reason TEXT",
		Short: "Propose an overlay on the newest edition",
		Long: `Proposes an overlay, pinned to the newest edition: FILE PATH VALUE once for each
field (docs/book.md describes the paths). It takes effect when it is approved.`,
		Example: `  samecup overlay create region.north --reason "Oat drink of another maker" drinks/latte.yaml checks.milk_temp.target '61 °C'`,
		Args:    cobra.MinimumNArgs(4),
		RunE: func(cmd *cobra.Command, args []string) error {
			edits, err := parseEdits(args[1:])
			if err != nil {
				return err
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewOverlayServiceClient(cc).CreateOverlay(ctx, &pb.CreateOverlayRequest{RequestId: a.id(), Scope: args[0], Reason: reason, Edits: edits})
				return overlayAnswer(res.GetOverlay(), res.GetProblems()), err
			})
		},
	}
	a.writes(cmd)
	reasonFlag(cmd, &reason, true)
	return cmd
}

func overlayListCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the overlays",
		Example: `  samecup overlay list`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				all, err := pages(func(token string) ([]*pb.Overlay, string, error) {
					res, err := pb.NewOverlayServiceClient(cc).ListOverlays(ctx, &pb.ListOverlaysRequest{PageSize: 500, PageToken: token})
					return res.GetOverlays(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, o := range all {
						rows = append(rows, []any{o.Scope, overlayState(o.State), number(o.BaseEdition), len(o.Edits), o.Author, clock(o.UpdateTime), o.Reason})
					}
					grid(w, "SCOPE|STATE|ON EDITION|EDITS|AUTHOR|CHANGED|REASON", "There is no overlay: every site follows the chain's book.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

func getOverlay(ctx context.Context, cc *grpc.ClientConn, scope string) (*pb.Overlay, error) {
	res, err := pb.NewOverlayServiceClient(cc).GetOverlay(ctx, &pb.GetOverlayRequest{Name: resource("overlays", scope)})
	return res.GetOverlay(), err
}

func overlayEtag(ctx context.Context, cc *grpc.ClientConn, scope string) func() (string, error) {
	return func() (string, error) {
		o, err := getOverlay(ctx, cc, scope)
		return o.GetEtag(), err
	}
}

func overlayShowCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "show SCOPE",
		Short:   "Show an overlay, field by field",
		Example: `  samecup overlay show site.oyster-steps`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				o, err := getOverlay(ctx, cc, args[0])
				return one(o, func(w io.Writer) { writeOverlay(w, o) }), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

func writeOverlay(w io.Writer, o *pb.Overlay) {
	fmt.Fprintf(w, "%s: %s, on edition %s, by %s at %s, etag %s\n", o.Scope, overlayState(o.State), number(o.BaseEdition), o.Author, clock(o.UpdateTime), o.Etag)
	fmt.Fprintf(w, "reason: %s\n", o.Reason)
	approvalLines(w, o.Approvals)
	for _, c := range o.Conflicts {
		fmt.Fprintln(w, "needs rebasing:", c)
	}
	var rows [][]any
	for _, e := range o.Edits {
		rows = append(rows, []any{e.Edit.GetFile(), e.Edit.GetPath(), e.BaseValue, e.Edit.GetValue()})
	}
	grid(w, "FILE|PATH|IN THE EDITION|HERE", "It changes nothing.", rows)
}

func overlayReviewCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "review SCOPE",
		Short:   "Show what an approver of an overlay must see",
		Example: `  samecup overlay review site.oyster-steps`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewOverlayServiceClient(cc).ReviewOverlay(ctx, &pb.ReviewOverlayRequest{Name: resource("overlays", args[0])})
				return one(res, func(w io.Writer) {
					writeOverlay(w, res.Overlay)
					reviewPage{
						changes: res.Changes, cautions: res.Cautions, safety: res.SafetyReasons, needed: res.ApprovalsNeeded,
						approve: "samecup overlay approve " + res.Overlay.GetScope() + " --etag " + res.Overlay.GetEtag(),
					}.write(w)
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

func overlayApproveCommand() *cobra.Command {
	var a ask
	var role string
	var cautions []string
	cmd := &cobra.Command{
		Use:   "approve SCOPE --role ROLE",
		Short: "Approve an overlay; with the last approval it is released",
		Long: `Approves an overlay. It is refused to its author, and until each caution is
acknowledged. With the last approval it is resolved and released to its scope.`,
		Example: `  samecup overlay approve site.oyster-steps --role approver --as ben.token`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				etag, err := a.basis(overlayEtag(ctx, cc, args[0]))
				if err != nil {
					return answer{}, err
				}
				res, err := pb.NewOverlayServiceClient(cc).ApproveOverlay(ctx, &pb.ApproveOverlayRequest{
					RequestId: a.id(), Name: resource("overlays", args[0]), Etag: etag, Role: role, Cautions: cautions,
				})
				told := overlayAnswer(res.GetOverlay(), nil)
				return one(res, func(w io.Writer) {
					told.words(w)
					if res.Release != 0 {
						fmt.Fprintf(w, "release %d was made for %s\n", res.Release, res.Overlay.GetScope())
					}
				}), err
			})
		},
	}
	a.updates(cmd)
	approveFlags(cmd, &role, &cautions)
	return cmd
}

func overlayRebaseCommand() *cobra.Command {
	var a ask
	var reason string
	cmd := &cobra.Command{
		Use:   "rebase SCOPE [FILE PATH VALUE...]",
		Short: "Propose an overlay anew on the newest edition",
		Long: `Proposes an overlay anew on the newest edition, with its edits as they are, or with
those given here in their place. It has to be approved again.`,
		Example: `  samecup overlay rebase site.oyster-steps --reason "The new cup fits as well"`,
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var edits []*pb.FieldEdit
			if len(args) > 1 {
				var err error
				if edits, err = parseEdits(args[1:]); err != nil {
					return err
				}
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				etag, err := a.basis(overlayEtag(ctx, cc, args[0]))
				if err != nil {
					return answer{}, err
				}
				res, err := pb.NewOverlayServiceClient(cc).RebaseOverlay(ctx, &pb.RebaseOverlayRequest{
					RequestId: a.id(), Name: resource("overlays", args[0]), Etag: etag, Reason: reason, Edits: edits,
				})
				return overlayAnswer(res.GetOverlay(), res.GetProblems()), err
			})
		},
	}
	a.updates(cmd)
	reasonFlag(cmd, &reason, false)
	return cmd
}

func overlayRetireCommand() *cobra.Command {
	var a ask
	var reason string
	cmd := &cobra.Command{
		Use:     "retire SCOPE --reason TEXT",
		Short:   "Return a scope to the wider book",
		Example: `  samecup overlay retire site.oyster-steps --reason "The boiler was replaced"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewOverlayServiceClient(cc).RetireOverlay(ctx, &pb.RetireOverlayRequest{RequestId: a.id(), Name: resource("overlays", args[0]), Reason: reason})
				return overlayAnswer(res.GetOverlay(), nil), err
			})
		},
	}
	a.writes(cmd)
	reasonFlag(cmd, &reason, true)
	return cmd
}
