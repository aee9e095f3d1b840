//go:build !station

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
	"unicode"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/report"
)

// tokenVariable holds the token of the person who calls.
const tokenVariable = "SAMECUP_TOKEN"

// maxTokenFileBytes is far more than a token and a line end.
const maxTokenFileBytes = 4 << 10

// ask is what each command that speaks to the authority as a person has.
type ask struct {
	to, as          string
	requestID, etag string
	json            bool
	// acts: something is changed, so that a lost answer matters.
	acts bool
}

// answer is what a call brought: messages for scripts, words for people.
type answer struct {
	json  []proto.Message
	words func(io.Writer)
}

// one is the answer that is a single message.
func one(m proto.Message, words func(io.Writer)) answer {
	return answer{json: []proto.Message{m}, words: words}
}

// said is the answer that is one sentence.
func said(m proto.Message, format string, args ...any) answer {
	return one(m, func(w io.Writer) { fmt.Fprintf(w, format+"\n", args...) })
}

// reads adds the flags of a command that changes nothing.
func (a *ask) reads(cmd *cobra.Command) {
	toFlag(cmd, &a.to)
	cmd.Flags().StringVar(&a.as, "as", "", "file with the token of the person who calls (default: the variable "+tokenVariable+")")
	cmd.Flags().BoolVar(&a.json, "json", false, "print one line of JSON a result")
}

// writes adds the flags of a command that changes something.
func (a *ask) writes(cmd *cobra.Command) {
	a.acts = true
	a.reads(cmd)
	cmd.Flags().StringVar(&a.requestID, "request-id", "", "UUID of this request, to repeat one whose answer was lost (default: a fresh one)")
}

// updates adds the flags of a command that is refused when somebody was faster.
func (a *ask) updates(cmd *cobra.Command) {
	a.writes(cmd)
	cmd.Flags().StringVar(&a.etag, "etag", "", "act only on what had this etag (default: on what is there now)")
}

// id is the request's UUID; the same one for the whole command.
func (a *ask) id() string {
	if a.requestID == "" {
		// Version 7 sorts by time, which keeps the authority's index compact.
		id, err := uuid.NewV7()
		if err != nil {
			id = uuid.New()
		}
		a.requestID = id.String()
	}
	return a.requestID
}

// basis is the etag to act on: the one given, else that of what is there.
func (a *ask) basis(stored func() (string, error)) (string, error) {
	if a.etag != "" {
		return a.etag, nil
	}
	var err error
	a.etag, err = stored()
	return a.etag, err
}

// do makes the call and prints its answer.
func (a *ask) do(cmd *cobra.Command, call func(context.Context, *grpc.ClientConn) (answer, error)) error {
	return a.open(cmd, func(ctx context.Context, cc *grpc.ClientConn) error {
		wait := callWait
		if a.acts {
			wait = publishCallWait // a rollout signs a release for each overlay
		}
		ctx, cancel := context.WithTimeout(ctx, wait)
		defer cancel()
		ans, err := call(ctx, cc)
		if err != nil {
			return err
		}
		return a.print(cmd.OutOrStdout(), ans)
	})
}

// open runs f with a connection that carries the token, without a deadline.
func (a *ask) open(cmd *cobra.Command, f func(context.Context, *grpc.ClientConn) error) error {
	cc, err := dialAs(a.to, a.as, grpc.WithDefaultCallOptions(grpc.WaitForReady(true)))
	if err != nil {
		return err
	}
	defer cc.Close()
	return a.failed(f(cmd.Context(), cc))
}

// reach is open for calls that may take long by themselves: an authority that does
// not answer at all is told of within callWait.
func (a *ask) reach(cmd *cobra.Command, f func(context.Context, *grpc.ClientConn) error) error {
	return a.open(cmd, func(ctx context.Context, cc *grpc.ClientConn) error {
		first, cancel := context.WithTimeout(ctx, callWait)
		defer cancel()
		_, err := pb.NewGovernanceServiceClient(cc).GetMe(first, &pb.GetMeRequest{})
		// Any other answer is one: f is told itself what it may not.
		if c := status.Code(err); c == codes.DeadlineExceeded || c == codes.Unavailable || c == codes.Canceled {
			return err
		}
		return f(ctx, cc)
	})
}

// dialAs makes a connection that carries the caller's token: the one in the file,
// else the one in the variable, if any.
func dialAs(addr, file string, opts ...grpc.DialOption) (*grpc.ClientConn, error) {
	token, err := callerToken(file)
	if err != nil {
		return nil, err
	}
	return rpc.Dial(addr, append(opts, rpc.WithToken(token))...)
}

// failed tells what went wrong, and how to repeat a call that may have arrived.
func (a *ask) failed(err error) error {
	if err == nil {
		return nil
	}
	st, ok := status.FromError(err)
	if !ok {
		return err // not from a call: it says itself what it is
	}
	out := callError(err)
	e, ok := errors.AsType[exitError](out)
	if !ok {
		return out
	}
	switch st.Code() {
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled:
		if a.acts && a.requestID != "" {
			e.msg += "\nwhether it was done is not known; to repeat it safely, give the same command with --request-id " + a.requestID
			if a.etag != "" {
				e.msg += " --etag " + a.etag
			}
		}
	}
	return e
}

// print writes an answer as JSON or in words. Other people's text is stripped
// of control characters, which could rewrite what a terminal shows.
func (a *ask) print(out io.Writer, ans answer) error {
	if a.json {
		for _, m := range ans.json {
			if err := report.WriteJSON(out, m); err != nil {
				return err
			}
		}
		return nil
	}
	var b bytes.Buffer
	ans.words(&b)
	_, err := io.WriteString(out, printable(b.String()))
	return err
}

func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return -1
		}
		return r
	}, s)
}

// callerToken reads the token that says who calls; empty where none is given.
func callerToken(file string) (string, error) {
	if file == "" {
		return strings.TrimSpace(os.Getenv(tokenVariable)), nil
	}
	f, err := os.Open(file)
	if err != nil {
		return "", exitError{code: 2, msg: fmt.Sprintf("--as: %v", err)}
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return "", exitError{code: 2, msg: fmt.Sprintf("--as: %v", err)}
	}
	if runtime.GOOS != "windows" && st.Mode().IsRegular() && st.Mode().Perm()&0o077 != 0 {
		return "", exitError{code: 2, msg: fmt.Sprintf("--as %s: others may read it (mode %04o); keep a token to yourself: chmod 600 %s", file, st.Mode().Perm(), file)}
	}
	b, err := io.ReadAll(io.LimitReader(f, maxTokenFileBytes))
	if err != nil {
		return "", exitError{code: 2, msg: fmt.Sprintf("--as: %v", err)}
	}
	token := strings.TrimSpace(string(b))
	if token == "" || strings.ContainsAny(token, " \t\r\n") {
		return "", exitError{code: 2, msg: fmt.Sprintf("--as %s: holds no token; it must hold the one line that was printed when the person was added", file)}
	}
	return token, nil
}

// pages collects every page of a list.
func pages[T any](fetch func(token string) ([]T, string, error)) ([]T, error) {
	var all []T
	for token := ""; ; {
		part, next, err := fetch(token)
		if err != nil {
			return nil, err
		}
		all = append(all, part...)
		if token = next; token == "" {
			return all, nil
		}
	}
}

// listed is the answer that is a list.
func listed[T proto.Message](all []T, words func(io.Writer)) answer {
	a := answer{words: words}
	for _, m := range all {
		a.json = append(a.json, m)
	}
	return a
}
