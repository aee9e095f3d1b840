//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/report"
)

func recordCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "record",
		Short: "What was ever done, by whom, in a chain of hashes",
		Example: `  samecup record show --drink latte
  samecup record verify`,
	}
	cmd.AddCommand(recordShowCommand(), recordVerifyCommand())
	return cmd
}

func recordShowCommand() *cobra.Command {
	var a ask
	req := &pb.StreamRecordRequest{}
	cmd := &cobra.Command{
		Use:   "show",
		Short: "List the acts in their order, and follow new ones",
		Long: `Lists the acts in their order, a line each: number, time, who, and what was done.
With --follow it goes on with each as it is done, and connects again by itself,
until it is interrupted. With --json each entry comes with the bytes that its hash
runs over.`,
		Example: `  samecup record show --drink latte
  samecup record show --after 1200 --follow`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.reach(cmd, func(ctx context.Context, cc *grpc.ClientConn) error {
				client := pb.NewGovernanceServiceClient(cc)
				read := func(ctx context.Context) error { return showRecord(ctx, cmd.OutOrStdout(), client, req, a.json) }
				if req.Follow {
					return follow(ctx, read)
				}
				err := read(ctx)
				if errors.Is(err, io.EOF) {
					return nil
				}
				return err
			})
		},
	}
	a.reads(cmd)
	f := cmd.Flags()
	f.StringVar(&req.Drink, "drink", "", "only acts about this drink, such as latte")
	f.Uint64Var(&req.After, "after", 0, "only what comes after this number")
	f.BoolVar(&req.Follow, "follow", false, "go on with each act as it is done")
	return cmd
}

// showRecord writes the entries after req.After, and moves it along, so that
// the next try goes on where this one ended. At the end it returns io.EOF.
func showRecord(ctx context.Context, out io.Writer, client pb.GovernanceServiceClient, req *pb.StreamRecordRequest, json bool) error {
	stream, err := client.StreamRecord(ctx, req)
	if err != nil {
		return err
	}
	for {
		res, err := stream.Recv()
		if err != nil {
			return err
		}
		e := res.Entry
		if json {
			err = report.WriteJSON(out, e)
		} else {
			_, err = fmt.Fprintf(out, "%d  %s  %s  %s\n", e.GetNumber(), clock(e.GetActTime()), printable(e.GetActor()), printable(oneLine(e.GetText())))
		}
		if err != nil {
			return err
		}
		req.After = e.GetNumber()
	}
}

func recordVerifyCommand() *cobra.Command {
	var a ask
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Check the whole chain of hashes, and the heads in the releases",
		Long: `Checks the whole chain of hashes and compares it with the heads that the releases
carry, so that a record changed or cut short is noticed. Progress goes to standard
error. Keep the head that is printed: a later record must contain it. Exit 0 it
holds, 1 it does not.`,
		Example: `  samecup record verify`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.reach(cmd, func(ctx context.Context, cc *grpc.ClientConn) error {
				stream, err := pb.NewGovernanceServiceClient(cc).VerifyRecord(ctx, &pb.VerifyRecordRequest{})
				if err != nil {
					return err
				}
				last, err := verifyProgress(newLiveLine(cmd.ErrOrStderr()), stream.Recv)
				if err != nil {
					return err
				}
				if err := a.print(cmd.OutOrStdout(), one(last, func(w io.Writer) { writeVerified(w, last) })); err != nil {
					return err
				}
				if last.BrokenAt != 0 {
					return exitError{code: 1}
				}
				return nil
			})
		},
	}
	a.reads(cmd)
	return cmd
}

// verifyProgress shows how far the check is and returns its result.
func verifyProgress(live *liveLine, recv func() (*pb.VerifyRecordResponse, error)) (*pb.VerifyRecordResponse, error) {
	defer live.end()
	for {
		res, err := recv()
		if errors.Is(err, io.EOF) {
			return nil, errors.New("the authority ended the check before it was done, so nothing is known; ask again")
		}
		if err != nil {
			return nil, err
		}
		// A log of lines would be of no use to anybody.
		if live.terminal {
			if err := live.show(fmt.Sprintf("%s %d of %d entries", progressBar(res.Checked, res.Total), res.Checked, res.Total)); err != nil {
				return nil, err
			}
		}
		if res.Done {
			return res, nil
		}
	}
}

func writeVerified(w io.Writer, r *pb.VerifyRecordResponse) {
	if r.BrokenAt != 0 {
		fmt.Fprintf(w, "The record does NOT hold at entry %d: %s\n", r.BrokenAt, r.Detail)
		return
	}
	noun := "entries"
	if r.Checked == 1 {
		noun = "entry"
	}
	fmt.Fprintf(w, "The record holds: %d %s, head %x\n", r.Checked, noun, r.Head)
}
