//go:build !station

package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func trainingCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "training",
		Short: "Who has read the cards that an edition changed",
		Example: `  samecup training show 12
  samecup training seen tannery-row 12 --person "Mia"`,
	}
	cmd.AddCommand(trainingSeenCommand(), trainingShowCommand())
	return cmd
}

func parseEdition(text string) (uint64, error) {
	n, err := strconv.ParseUint(strings.TrimPrefix(text, "rollouts/"), 10, 64)
	if err != nil || n == 0 {
		return 0, exitError{code: 2, msg: fmt.Sprintf("EDITION %q: write an edition's number, such as 12", text)}
	}
	return n, nil
}

func trainingSeenCommand() *cobra.Command {
	var a ask
	var person string
	cmd := &cobra.Command{
		Use:     "seen SITE EDITION --person NAME",
		Short:   "Say that a person at a site read what an edition changed",
		Example: `  samecup training seen tannery-row 12 --person "Mia"`,
		Args:    cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			edition, err := parseEdition(args[1])
			if err != nil {
				return err
			}
			site := strings.TrimPrefix(args[0], "sites/")
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewGovernanceServiceClient(cc).AcknowledgeCard(ctx, &pb.AcknowledgeCardRequest{RequestId: a.id(), Site: site, Edition: edition, Person: person})
				return said(res, "%s at %s has read what edition %d changed", person, site, edition), err
			})
		},
	}
	a.writes(cmd)
	cmd.Flags().StringVar(&person, "person", "", "name or pseudonym (required)")
	_ = cmd.MarkFlagRequired("person") // the flag is there
	return cmd
}

func trainingShowCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:     "show EDITION",
		Short:   "Show how far each site is with an edition's cards",
		Example: `  samecup training show 12`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			edition, err := parseEdition(args[0])
			if err != nil {
				return err
			}
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewGovernanceServiceClient(cc).ListTraining(ctx, &pb.ListTrainingRequest{Edition: edition})
				return one(res, func(w io.Writer) {
					var rows [][]any
					for _, s := range res.Sites {
						rows = append(rows, []any{s.Site, s.Acknowledged, s.Needed, s.PeopleCount, progressBar(uint64(max(s.Acknowledged, 0)), uint64(max(s.PeopleCount, 0)))})
					}
					grid(w, "SITE|HAVE READ IT|NEEDED|PEOPLE|", "There is no site yet.", rows)
				}), err
			})
		},
	}
	a.reads(cmd)
	return cmd
}
