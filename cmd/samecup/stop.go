//go:build !station

package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func stopCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "stop",
		Short: "Stop a drink, an ingredient or a lot everywhere at once",
		Long: `Stops a drink, an ingredient or a supplier's lot everywhere at once, whatever the
book says. One person orders it; a person at each site acknowledges it; two lift it.`,
		Example: `  samecup stop order ingredient oat-drink --reason "Undeclared nuts, supplier's notice"
  samecup stop show 7
  samecup stop lift 7 --reason "Supplier's lots were replaced"`,
	}
	cmd.AddCommand(stopOrderCommand(), stopListCommand(), stopShowCommand(), stopSeenCommand(), stopLiftCommand())
	return cmd
}

func stopKind(k pb.StopKind) string { return stateWords(k, "STOP_KIND_") }

func parseStopKind(text string) (pb.StopKind, error) {
	v, ok := pb.StopKind_value["STOP_KIND_"+strings.ToUpper(text)]
	if !ok || v == 0 {
		return 0, exitError{code: 2, msg: fmt.Sprintf("%q cannot be stopped: write drink, ingredient or lot, then its id", text)}
	}
	return pb.StopKind(v), nil
}

func stopOrderCommand() *cobra.Command {
	var a ask
	req := &pb.CreateStopRequest{}
	cmd := &cobra.Command{
		Use:   "order drink|ingredient|lot TARGET --reason TEXT",
		Short: "Order a stop; it takes effect at once",
		Long: `Orders a stop of a drink or an ingredient by its id in the book, or of a lot as it
stands on the label. It takes effect at once and needs nobody else.`,
		Example: `  samecup stop order lot L-2231 --reason "Supplier's recall" --instruction "Put the cartons aside, label them, call us"
  samecup stop order drink eggnog --reason "Wrong allergen card" --scope region.north`,
		Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			kind, err := parseStopKind(args[0])
			if err != nil {
				return err
			}
			req.RequestId, req.Kind, req.Target = a.id(), kind, args[1]
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewStopServiceClient(cc).CreateStop(ctx, req)
				return one(res.GetStop(), func(w io.Writer) { writeStop(w, res.Stop) }), err
			})
		},
	}
	a.writes(cmd)
	reasonFlag(cmd, &req.Reason, true)
	cmd.Flags().StringArrayVar(&req.Scopes, "scope", nil, `only there: "region.REGION" or "site.SITE" (default: the whole chain)`)
	cmd.Flags().StringVar(&req.Instruction, "instruction", "", "what to do with stock and with drinks already made")
	return cmd
}

func stopListCommand() *cobra.Command {
	var a ask
	var openOnly bool
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the stops, newest first",
		Example: `  samecup stop list --open`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				all, err := pages(func(token string) ([]*pb.StopStatus, string, error) {
					res, err := pb.NewStopServiceClient(cc).ListStops(ctx, &pb.ListStopsRequest{PageSize: 500, PageToken: token, OpenOnly: openOnly})
					return res.GetStops(), res.GetNextPageToken(), err
				})
				return listed(all, func(w io.Writer) {
					var rows [][]any
					for _, s := range all {
						rows = append(rows, []any{shortName(s.Name), stopState(s.State), stopKind(s.Stop.GetKind()), s.Stop.GetTarget(), strings.Join(s.Stop.GetScopes(), ", "),
							s.OpenSites, s.Stop.GetAuthor(), clock(s.Stop.GetCreateTime()), s.Stop.GetReason()})
					}
					grid(w, "STOP|STATE|KIND|TARGET|WHERE|SITES NOT SEEN|BY|AT|REASON", "Nothing is stopped.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	cmd.Flags().BoolVar(&openOnly, "open", false, "only those that still hold")
	return cmd
}

func stopState(s pb.StopState) string { return stateWords(s, "STOP_STATE_") }

func stopShowCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "show STOP",
		Short:   "Show a stop: what it takes off, and who at each site saw it",
		Example: `  samecup stop show 7`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewStopServiceClient(cc).GetStop(ctx, &pb.GetStopRequest{Name: resource("stops", args[0])})
				return one(res.GetStop(), func(w io.Writer) { writeStop(w, res.Stop) }), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}

// escalations is who has to look after a site that did not acknowledge: the
// shift lead's time is not over yet at first.
var escalations = []string{"shift lead", "store manager", "area manager", "head office"}

func writeStop(w io.Writer, s *pb.StopStatus) {
	d := s.Stop
	fmt.Fprintf(w, "Stop %s (%s %s), %s: %s\n", shortName(s.Name), stopKind(d.GetKind()), d.GetTarget(), stopState(s.State), d.GetReason())
	where := strings.Join(d.GetScopes(), ", ")
	if where == "" {
		where = "chain"
	}
	fmt.Fprintf(w, "Ordered by %s at %s for %s.\n", d.GetAuthor(), clock(d.GetCreateTime()), where)
	if d.GetInstruction() != "" {
		fmt.Fprintf(w, "What to do: %s\n", d.Instruction)
	}
	if len(s.Servings) > 0 {
		fmt.Fprintf(w, "It takes %s off: %s\n", count(len(s.Servings), "serving"), strings.Join(s.Servings, ", "))
	}
	switch s.State {
	case pb.StopState_STOP_STATE_LIFT_ASKED:
		fmt.Fprintf(w, "%s asked for it to be lifted (%s); a second person has to agree.\n", s.LiftAskedBy, s.LiftReason)
	case pb.StopState_STOP_STATE_LIFTED:
		fmt.Fprintf(w, "Lifted by %s and %s at %s: %s\n", s.LiftAskedBy, s.LiftedBy, clock(s.LiftTime), s.LiftReason)
	}
	var rows [][]any
	for _, x := range s.Sites {
		next := ""
		if x.Person == "" && x.Escalation >= 0 && int(x.Escalation) < len(escalations) {
			next = escalations[x.Escalation]
		}
		rows = append(rows, []any{x.Site, x.Person, clock(x.AcknowledgeTime), next, fmt.Sprintf("%d of %d", x.StationsHolding, x.Stations), x.Note})
	}
	if len(rows) > 0 {
		grid(w, "SITE|SEEN BY|AT|UP TO|STATIONS HOLD IT|NOTE", "", rows)
	}
	if s.State != pb.StopState_STOP_STATE_LIFTED && s.OpenSites > 0 {
		fmt.Fprintf(w, "Not yet acknowledged at %s.\n", count(s.OpenSites, "site"))
	}
}

func stopSeenCommand() *cobra.Command {
	var a ask
	req := &pb.AcknowledgeStopRequest{}
	cmd := &cobra.Command{
		Use:     "seen STOP --site SITE --person NAME",
		Short:   "Say who at a site saw a stop, where the station cannot",
		Example: `  samecup stop seen 7 --site tannery-row --person "Mia, shift lead" --note "4 cartons put aside"`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			req.RequestId, req.Name, req.Site = a.id(), resource("stops", args[0]), strings.TrimPrefix(req.Site, "sites/")
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewStopServiceClient(cc).AcknowledgeStop(ctx, req)
				return said(res.GetStop(), "stop %s was seen at %s by %s; not yet at %s", shortName(req.Name), req.Site, req.Person, count(res.GetStop().GetOpenSites(), "site")), err
			})
		},
	}
	a.writes(cmd)
	cmd.Flags().StringVar(&req.Site, "site", "", "site, such as tannery-row (required)")
	cmd.Flags().StringVar(&req.Person, "person", "", "name or pseudonym of who saw it (required)")
	cmd.Flags().StringVar(&req.Note, "note", "", "stock put aside, in words")
	for _, name := range []string{"site", "person"} {
		_ = cmd.MarkFlagRequired(name) // the flags are there
	}
	return cmd
}

func stopLiftCommand() *cobra.Command {
	var a ask
	var reason string
	cmd := &cobra.Command{
		Use:   "lift STOP --reason TEXT",
		Short: "Ask for a stop to be lifted; a second person's call lifts it",
		Example: `  samecup stop lift 7 --reason "Lots were replaced" --as ada.token
  samecup stop lift 7 --reason "Checked at the warehouse" --as ben.token`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewStopServiceClient(cc).LiftStop(ctx, &pb.LiftStopRequest{RequestId: a.id(), Name: resource("stops", args[0]), Reason: reason})
				return one(res.GetStop(), func(w io.Writer) { writeStop(w, res.Stop) }), err
			})
		},
	}
	a.writes(cmd)
	reasonFlag(cmd, &reason, true)
	return cmd
}
