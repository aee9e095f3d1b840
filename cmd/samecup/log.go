package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/buildlog"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const logDeadline = 10 * time.Second

func logCommand() *cobra.Command {
	var to string
	cmd := &cobra.Command{
		Use:   "log --to ADDRESS FILE.jsonl|-",
		Short: "Send builds from JSON Lines to a station",
		Long: `Send builds from JSON Lines to a station and print each verdict. A build id that
was logged before is answered as it was then, so a file can be sent again.

Exit code 0: all logged and in spec; 1: some off spec or not logged; 2: a line
could not be read.`,
		Example: `  samecup log --to 127.0.0.1:7201 builds.jsonl
  tail -f builds.jsonl | samecup log --to 127.0.0.1:7201 -`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			in := cmd.InOrStdin()
			if args[0] != "-" {
				f, err := os.Open(args[0])
				if err != nil {
					return exitError{code: 2, msg: err.Error()}
				}
				defer f.Close()
				in = f
			}
			cc, err := rpc.Dial(to)
			if err != nil {
				return err
			}
			defer cc.Close()
			return sendLog(cmd.Context(), in, cmd.OutOrStdout(), cmd.ErrOrStderr(), pb.NewStationServiceClient(cc))
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "`address` of the station")
	_ = cmd.MarkFlagRequired("to")
	return cmd
}

// sendLog sends each build and goes on past those that are refused.
func sendLog(ctx context.Context, in io.Reader, out, errs io.Writer, client pb.StationServiceClient) error {
	r := buildlog.NewReader(in)
	var b drink.Build
	code := 0
	for {
		err := r.Next(&b)
		if errors.Is(err, io.EOF) {
			break
		}
		if _, ok := errors.AsType[*buildlog.LineError](err); ok {
			fmt.Fprintln(errs, "samecup:", err)
			code = 2
			continue
		}
		if err != nil {
			return exitError{code: 2, msg: err.Error()}
		}
		call, cancel := context.WithTimeout(ctx, logDeadline)
		res, err := client.LogBuild(call, &pb.LogBuildRequest{Build: wire.BuildToProto(&b)})
		cancel()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			fmt.Fprintf(errs, "samecup: line %d: build %s: not logged: %s\n", r.Line(), b.ID, status.Convert(err).Message())
			code = max(code, 1)
			continue
		}
		if res.GetVerdict().GetGrade() != pb.Grade_GRADE_IN_SPEC {
			code = max(code, 1)
		}
		printVerdict(out, &b, res)
	}
	if code != 0 {
		return exitError{code: code}
	}
	return nil
}

func printVerdict(out io.Writer, b *drink.Build, res *pb.LogBuildResponse) {
	grade := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(res.GetVerdict().GetGrade().String(), "GRADE_"), "_", " "))
	again := ""
	if res.GetDuplicate() {
		again = ", logged before"
	}
	fmt.Fprintf(out, "%d %s %s: %s (release %d%s)\n", res.GetSequence(), b.ID, b.Serving, grade, res.GetRelease(), again)
	for _, f := range res.GetVerdict().GetFindings() {
		fmt.Fprintf(out, "  %s\n", f.GetText())
	}
}
