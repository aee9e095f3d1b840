package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/user"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	authorityAddress = "127.0.0.1:7100"
	callWait         = 10 * time.Second
	publishCallWait  = 30 * time.Second
)

func publishCommand() *cobra.Command {
	var to, scope, effective, note, author, requestID string
	cmd := &cobra.Command{
		Use:   "publish DIR",
		Short: "Check a book at the authority and publish it as a numbered, signed release",
		Long: `Check a book at the authority and publish it as a numbered, signed release.

Prints what the check found and the release's number. Exit 0 published, 1 the
book has errors or the authority did not take it, 2 the book cannot be read.
A call that may or may not have arrived is repeated safely with the same
--request-id.`,
		Example: `  samecup publish testdata/harbour-finch --scope chain --note "Flat white at 5 mm"
  samecup publish book --scope site.tannery-row --effective 2026-03-09T05:00:00Z`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			req := &pb.CreateReleaseRequest{RequestId: requestID, Scope: scope, Note: note, Author: author}
			if req.RequestId == "" {
				req.RequestId = uuid.NewString()
			}
			if effective != "" {
				at, err := time.Parse(time.RFC3339, effective)
				if err != nil {
					return exitError{code: 2, msg: fmt.Sprintf("--effective %q: write a time with its zone, such as 2026-03-09T05:00:00Z", effective)}
				}
				req.EffectiveTime = timestamppb.New(at)
			}
			files, problems := drink.ReadFiles(os.DirFS(args[0]))
			if problems.HasErrors() {
				return exitError{code: 2, msg: fmt.Sprintf("%s: %v", args[0], problems.Err())}
			}
			for _, path := range slices.Sorted(maps.Keys(files)) {
				req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: files[path]})
			}
			return withAuthority(to, func(cc *grpc.ClientConn) error {
				return publish(cmd.Context(), cmd.OutOrStdout(), pb.NewBookServiceClient(cc), req)
			})
		},
	}
	toFlag(cmd, &to)
	f := cmd.Flags()
	f.StringVar(&scope, "scope", "chain", `who follows it: "chain", "region.REGION" or "site.SITE"`)
	f.StringVar(&effective, "effective", "", "RFC 3339 time from which builds are judged by it (default: at once)")
	f.StringVar(&note, "note", "", "one line on what changed")
	f.StringVar(&author, "author", userName(), "who publishes it")
	f.StringVar(&requestID, "request-id", "", "UUID of this request, to repeat one whose answer was lost (default: a fresh one)")
	return cmd
}

func publish(ctx context.Context, out io.Writer, books pb.BookServiceClient, req *pb.CreateReleaseRequest) error {
	ctx, cancel := context.WithTimeout(ctx, publishCallWait)
	defer cancel()
	// The request id makes waiting for a restarting authority safe.
	res, err := books.CreateRelease(ctx, req, grpc.WaitForReady(true))
	if err != nil {
		return callError(err)
	}
	for _, p := range res.Problems {
		fmt.Fprintln(out, problemLine(p))
	}
	r := res.Release
	_, err = fmt.Fprintf(out, "release %d published for %s: %d servings, in force from %s, digest %.12x\n",
		r.Number, r.Scope, r.ServingCount, r.EffectiveTime.AsTime().Format(time.RFC3339), r.Digest)
	return err
}

func problemLine(p *pb.Problem) string {
	var b strings.Builder
	b.WriteString(p.Level + ": ")
	if p.File != "" {
		b.WriteString(p.File)
		if p.Line > 0 {
			fmt.Fprintf(&b, ":%d", p.Line)
		}
		b.WriteString(": ")
	}
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	return b.String() + p.Text
}

// toFlag adds the flag that names the authority.
func toFlag(cmd *cobra.Command, to *string) {
	cmd.Flags().StringVar(to, "to", authorityAddress, "address of the authority")
}

// withAuthority runs f with a connection to the authority.
func withAuthority(addr string, f func(*grpc.ClientConn) error) error {
	cc, err := rpc.Dial(addr)
	if err != nil {
		return err
	}
	return errors.Join(f(cc), cc.Close())
}

// callError tells what a call's error says, a violation a line: exit code 2
// for unusable input, 1 for all else.
func callError(err error) error {
	st := status.Convert(err)
	lines := []string{st.Message()}
	for _, d := range st.Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok && len(bad.FieldViolations) > 0 {
			lines = []string{"refused:"}
			for _, v := range bad.FieldViolations {
				lines = append(lines, "  "+v.Field+": "+v.Description)
			}
		}
	}
	e := exitError{code: 1, msg: strings.Join(lines, "\n")}
	switch st.Code() {
	case codes.InvalidArgument:
		e.code = 2
	case codes.Unavailable, codes.DeadlineExceeded:
		e.msg += "; is the authority running at the address that --to names?"
	}
	return e
}

func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return ""
}
