//go:build !station

package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func resolveCommand() *cobra.Command {
	var a ask
	var drinkID, at string
	cmd := &cobra.Command{
		Use:   "resolve SITE",
		Short: "Say what a site follows and where each field came from",
		Long: `Says which release a site follows at a moment, the assignment that says so, the
stops that are open there, and each field that an overlay set. With --drink it lists
every field of that drink with its file and line.`,
		Example: `  samecup resolve oyster-steps
  samecup resolve oyster-steps --drink latte --at 2026-10-25T06:00:00Z`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			req := &pb.ResolveSiteRequest{Site: resource("sites", args[0]), Drink: drinkID}
			if at != "" {
				t, err := time.Parse(time.RFC3339, at)
				if err != nil {
					return exitError{code: 2, msg: fmt.Sprintf("--at %q: write a time with its zone, such as 2026-10-25T06:00:00Z", at)}
				}
				req.AtTime = timestamppb.New(t)
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewOverlayServiceClient(cc).ResolveSite(ctx, req)
				return one(res, func(w io.Writer) { writeResolved(w, shortName(req.Site), drinkID, res) }), err
			})
		},
	}
	a.reads(cmd)
	cmd.Flags().StringVar(&drinkID, "drink", "", "list every field of this drink")
	cmd.Flags().StringVar(&at, "at", "", "RFC 3339 time to answer for (default: now)")
	return cmd
}

func writeResolved(w io.Writer, site, drinkID string, res *pb.ResolveSiteResponse) {
	if r := res.Release; r.GetNumber() == 0 {
		fmt.Fprintf(w, "%s follows no release at that time.\n", site)
	} else {
		fmt.Fprintf(w, "%s follows release %d of %s (edition %s, %s), digest %.12x.\n", site, r.Number, r.Scope, number(r.Edition), count(r.ServingCount, "serving"), r.Digest)
		fmt.Fprintf(w, "Its book has SHA-256 %x.\n", res.BookDigest)
	}
	if as := res.Assignment; as != nil {
		fmt.Fprintf(w, "\nAssignment %d of %s orders:\n", as.Serial, clock(as.IssuedTime))
		var rows [][]any
		for _, o := range as.Orders {
			rows = append(rows, []any{clock(o.StartTime), o.BusinessDay, o.Release, number(o.Edition), o.Scope})
		}
		grid(w, "FROM|BUSINESS DAY|RELEASE|EDITION|SCOPE", "nothing", rows)
	}
	fmt.Fprintln(w)
	for _, s := range res.Stops {
		fmt.Fprintf(w, "STOPPED: %s %s: %s (stop %s by %s at %s)\n", stopKind(s.Kind), s.Target, s.Reason, s.Id, s.Author, clock(s.CreateTime))
	}
	none := "No overlay sets a field here."
	if drinkID != "" {
		none = fmt.Sprintf("The book has no field of the drink %q.", drinkID)
	}
	var rows [][]any
	for _, o := range res.Origins {
		file := o.File
		if o.Line > 0 {
			file = fmt.Sprintf("%s:%d", o.File, o.Line)
		}
		rows = append(rows, []any{file, o.Path, o.Value, o.Source, o.Replaced, o.Reason})
	}
	grid(w, "FILE|PATH|VALUE|FROM|INSTEAD OF|WHY", none, rows)
}
