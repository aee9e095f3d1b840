package rpc_test

import (
	"context"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestTokenIsReadOrRefusedAndNeverMistakenForNone(t *testing.T) {
	for name, c := range map[string]struct {
		headers []string
		token   string
		ok, bad bool
	}{
		"none":         {},
		"bearer":       {headers: []string{"Bearer sct_abc"}, token: "sct_abc", ok: true},
		"lower case":   {headers: []string{"bearer sct_abc"}, token: "sct_abc", ok: true},
		"other scheme": {headers: []string{"Basic sct_abc"}, bad: true},
		"no scheme":    {headers: []string{"sct_abc"}, bad: true},
		"empty":        {headers: []string{""}, bad: true},
		"only scheme":  {headers: []string{"Bearer   "}, bad: true},
		"two":          {headers: []string{"Bearer a", "Bearer b"}, bad: true},
		"huge":         {headers: []string{"Bearer " + strings.Repeat("a", 513)}, bad: true},
	} {
		t.Run(name, func(t *testing.T) {
			ctx := metadata.NewIncomingContext(t.Context(), metadata.MD{"authorization": c.headers})
			token, ok, err := rpc.Token(ctx)
			if token != c.token || ok != c.ok || (err != nil) != c.bad {
				t.Fatalf("%q %v %v", token, ok, err)
			}
			if c.bad && status.Code(err) != codes.Unauthenticated {
				t.Fatal(err)
			}
		})
	}
}

func TestAClientsTokenArrives(t *testing.T) {
	var got string
	addr := listen(t, rpc.Options{Authorise: func(ctx context.Context, _ string) (who rpc.Caller, err error) {
		got, _, err = rpc.Token(ctx)
		return who, err
	}})
	cc, err := rpc.Dial(addr, rpc.WithToken("sct_abc"))
	if err != nil {
		t.Fatal(err)
	}
	defer cc.Close()
	if _, err := pb.NewBookServiceClient(cc).GetRelease(t.Context(), &pb.GetReleaseRequest{Number: 3}); err != nil {
		t.Fatal(err)
	}
	if got != "sct_abc" {
		t.Fatalf("the server read %q", got)
	}
}
