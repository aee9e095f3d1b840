//go:build !station

package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/report"
)

func caseCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "case",
		Short: "See what goes wrong at the counters, and follow it until it is mended",
		Long: `A case is one thing that is wrong, however many signals told of it. It opens by
itself when the logged builds depart from their own past, from their targets or
from the rest of the chain. It is contained, its cause and a prevention are
stated, and it closes only when the builds after the fix say so; where it comes
back it opens again. That somebody was reminded is not a cause.

Once people were added, changing a case needs the token of somebody with the role
quality-lead or administrator, and the history names that person.`,
	}
	cmd.AddCommand(caseListCommand(), caseShowCommand(), caseSignalsCommand(), caseQuestionsCommand(),
		caseOwnCommand(), caseContainCommand(), caseCauseCommand(), casePreventCommand(), caseNoteCommand(),
		caseCloseCommand(), caseReopenCommand())
	return cmd
}

// casesAt is what each of the commands needs.
type casesAt struct {
	to, as string
	json   bool
}

func (c *casesAt) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&c.to, "to", "127.0.0.1:7100", "address of the quality service")
	cmd.Flags().StringVar(&c.as, "as", "", "file with the token of the person who calls (default: the variable "+tokenVariable+")")
	cmd.Flags().BoolVar(&c.json, "json", false, "print one line of JSON for each answer")
}

// call runs f with a client and a bounded time.
func (c *casesAt) call(ctx context.Context, f func(context.Context, pb.CaseServiceClient) error) error {
	cc, err := dialAs(c.to, c.as)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, callWait)
	defer cancel()
	return errors.Join(caseError(f(ctx, pb.NewCaseServiceClient(cc))), cc.Close())
}

func caseError(err error) error {
	st, isStatus := status.FromError(err)
	switch {
	case err == nil || !isStatus:
		return err
	case reasonOf(st) == "AUTHORITY_UNREACHABLE":
		return exitError{code: 1, msg: st.Message()}
	case st.Code() == codes.Unavailable || st.Code() == codes.DeadlineExceeded:
		return exitError{code: 1, msg: st.Message() + "; is quality running at the address that --to names?"}
	}
	return callError(err)
}

// reasonOf is the reason that a call was refused for, from the table in
// DEVELOPERS.md; empty where it names none.
func reasonOf(st *status.Status) string {
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.Reason
		}
	}
	return ""
}

func caseListCommand() *cobra.Command {
	var at casesAt
	req := &pb.ListCasesRequest{PageSize: 500}
	var closed bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the cases, gravest first",
		Example: `  samecup case list
  samecup case list --site tannery-row --closed`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			req.OpenOnly = !closed
			return at.call(cmd.Context(), func(ctx context.Context, client pb.CaseServiceClient) error {
				var all []*pb.Case
				for {
					page, err := client.ListCases(ctx, req, grpc.WaitForReady(true))
					if err != nil {
						return err
					}
					all = append(all, page.Cases...)
					if req.PageToken = page.NextPageToken; req.PageToken == "" {
						break
					}
				}
				if at.json {
					return report.WriteJSON(cmd.OutOrStdout(), &pb.ListCasesResponse{Cases: all})
				}
				return writeCases(cmd.OutOrStdout(), all)
			})
		},
	}
	at.flags(cmd)
	cmd.Flags().StringVar(&req.Site, "site", "", "only cases that touch this site, such as tannery-row")
	cmd.Flags().BoolVar(&closed, "closed", false, "list closed and merged cases too, after the open ones")
	return cmd
}

func caseShowCommand() *cobra.Command {
	var at casesAt
	cmd := &cobra.Command{
		Use:     "show CASE",
		Short:   "Show a case: evidence, checks in order of likelihood, history, and what the builds say",
		Example: `  samecup case show C-00001`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return at.call(cmd.Context(), func(ctx context.Context, client pb.CaseServiceClient) error {
				res, err := client.GetCase(ctx, &pb.GetCaseRequest{Id: args[0]}, grpc.WaitForReady(true))
				if err != nil {
					return err
				}
				if at.json {
					return report.WriteJSON(cmd.OutOrStdout(), res)
				}
				return writeCase(cmd.OutOrStdout(), res)
			})
		},
	}
	at.flags(cmd)
	return cmd
}

func caseSignalsCommand() *cobra.Command {
	var at casesAt
	req := &pb.ListSignalsRequest{}
	cmd := &cobra.Command{
		Use:   "signals",
		Short: "List what the watch noticed, newest first",
		Example: `  samecup case signals --site tannery-row --most 20
  samecup case signals --case C-00001`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return at.call(cmd.Context(), func(ctx context.Context, client pb.CaseServiceClient) error {
				res, err := client.ListSignals(ctx, req, grpc.WaitForReady(true))
				if err != nil {
					return err
				}
				if at.json {
					return report.WriteJSON(cmd.OutOrStdout(), res)
				}
				return writeSignals(cmd.OutOrStdout(), res)
			})
		},
	}
	at.flags(cmd)
	cmd.Flags().StringVar(&req.Site, "site", "", "only this site")
	cmd.Flags().StringVar(&req.Kind, "kind", "", "only this detector: level, spread, trend, setting, rate, safety, site, chain, lot, barista, release, stale, question")
	cmd.Flags().StringVar(&req.CaseId, "case", "", "only those of this case")
	cmd.Flags().Int32Var(&req.PageSize, "most", 50, "how many at most, up to 500")
	cmd.Flags().StringVar(&req.PageToken, "page", "", "go on from this page token")
	return cmd
}

func caseQuestionsCommand() *cobra.Command {
	var at casesAt
	req := &pb.ListQuestionsRequest{}
	cmd := &cobra.Command{
		Use:   "questions",
		Short: "List what to ask about logs, newest first",
		Long: `Questions are raised where two independent screens of a log stand out together.
A question is never an accusation: an honest log can look like this too. Ask,
and state the answer as the cause of the case; that closes it.`,
		Example: `  samecup case questions --site oyster-steps`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return at.call(cmd.Context(), func(ctx context.Context, client pb.CaseServiceClient) error {
				res, err := client.ListQuestions(ctx, req, grpc.WaitForReady(true))
				if err != nil {
					return err
				}
				if at.json {
					return report.WriteJSON(cmd.OutOrStdout(), res)
				}
				return writeQuestions(cmd.OutOrStdout(), res)
			})
		},
	}
	at.flags(cmd)
	cmd.Flags().StringVar(&req.Site, "site", "", "only this site")
	cmd.Flags().Int32Var(&req.PageSize, "most", 50, "how many at most, up to 500")
	cmd.Flags().StringVar(&req.PageToken, "page", "", "go on from this page token")
	return cmd
}
