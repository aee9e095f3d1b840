//go:build !station

package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"os"
	"os/user"
	"slices"
	"strings"
	"time"

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
	var a ask
	var scope, effective, note, author string
	cmd := &cobra.Command{
		Use:   "publish DIR",
		Short: "Check a book at the authority and publish it as a numbered, signed release",
		Long: `Check a book at the authority and publish it as a numbered, signed release.

Only an installation to which nobody was added as a person publishes like this; in
others a book is released by an approved draft (samecup draft, samecup rollout).

Prints what the check found and the release's number. Exit 0 published, 1 the
book has errors or the authority did not take it, 2 the book cannot be read.
A call that may or may not have arrived is repeated safely with the same
--request-id.`,
		Example: `  samecup publish testdata/harbour-finch --scope chain --note "Flat white at 5 mm"
  samecup publish book --scope site.tannery-row --effective 2026-03-09T05:00:00Z`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			req := &pb.CreateReleaseRequest{RequestId: a.id(), Scope: scope, Note: note, Author: author}
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
			return a.do(cmd, func(ctx context.Context, cc *grpc.ClientConn) (answer, error) {
				res, err := pb.NewBookServiceClient(cc).CreateRelease(ctx, req)
				return one(res, func(w io.Writer) { writePublished(w, res) }), err
			})
		},
	}
	a.writes(cmd)
	f := cmd.Flags()
	f.StringVar(&scope, "scope", "chain", `who follows it: "chain", "region.REGION" or "site.SITE"`)
	f.StringVar(&effective, "effective", "", "RFC 3339 time from which builds are judged by it (default: at once)")
	f.StringVar(&note, "note", "", "one line on what changed")
	f.StringVar(&author, "author", userName(), "who publishes it")
	return cmd
}

func writePublished(w io.Writer, res *pb.CreateReleaseResponse) {
	for _, p := range res.Problems {
		fmt.Fprintln(w, problemLine(p))
	}
	r := res.Release
	fmt.Fprintf(w, "release %d published for %s: %s, in force from %s, digest %.12x\n",
		r.Number, r.Scope, count(r.ServingCount, "serving"), r.EffectiveTime.AsTime().Format(time.RFC3339), r.Digest)
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

// callError tells what a call's error says, a violation a line: exit code 2
// for unusable input, 1 for all else.
func callError(err error) error {
	st := status.Convert(err)
	lines, reason := []string{st.Message()}, ""
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			reason = info.Reason
		}
		if bad, ok := d.(*errdetails.BadRequest); ok && len(bad.FieldViolations) > 0 {
			lines = []string{"refused:"}
			for _, v := range bad.FieldViolations {
				lines = append(lines, "  "+rpc.Violation{Field: v.Field, Description: v.Description}.String())
			}
		}
	}
	e := exitError{code: 1, msg: strings.Join(lines, "\n")}
	switch st.Code() {
	case codes.InvalidArgument:
		e.code = 2
	case codes.Unauthenticated:
		if reason != "TOKEN_MISSING" {
			break
		}
		e.msg += "; give the file that holds yours with --as, or the token itself in the variable " + tokenVariable
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
