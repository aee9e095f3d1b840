package rpc

import (
	"context"

	"google.golang.org/grpc"
)

// Caller is who calls, as an Authoriser found from the call's token. The zero
// value is a caller of whom nothing is known.
type Caller struct {
	// Person is the person's id, Name what is shown; it may be empty.
	Person, Name string
}

// String names the caller for a history: the name with the id, which is never
// another person's. Empty where nothing is known.
func (c Caller) String() string {
	if c.Name == "" || c.Name == c.Person || c.Person == "" {
		return c.Person
	}
	return c.Name + " (" + c.Person + ")"
}

type callerKey struct{}

// CallerOf is who calls, for a handler; the zero Caller where no token says so.
func CallerOf(ctx context.Context) Caller {
	c, _ := ctx.Value(callerKey{}).(Caller)
	return c
}

func withCaller(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// calledStream is a stream whose context tells who called.
type calledStream struct {
	grpc.ServerStream
	ctx context.Context
}

func (s *calledStream) Context() context.Context { return s.ctx }
