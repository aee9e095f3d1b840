package station

import (
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// FuzzLogBuild sends whatever can be read as a request: each is either refused
// with a client's error, or stored so that the same again is a duplicate.
func FuzzLogBuild(f *testing.F) {
	for _, b := range []*pb.Build{build(), slow(), {}, {Id: "x"}, nil} {
		raw, err := proto.Marshal(&pb.LogBuildRequest{Build: b})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	a := offline(f)
	f.Fuzz(func(t *testing.T, raw []byte) {
		var req pb.LogBuildRequest
		if proto.Unmarshal(raw, &req) != nil {
			t.Skip()
		}
		first, err := a.LogBuild(t.Context(), &req)
		if err != nil {
			if c := status.Code(err); c != codes.InvalidArgument && c != codes.AlreadyExists {
				t.Fatalf("%s: %v", c, err)
			}
			return
		}
		again, err := a.LogBuild(t.Context(), &req)
		if err != nil || !again.GetDuplicate() || again.GetSequence() != first.GetSequence() || !proto.Equal(again.GetVerdict(), first.GetVerdict()) {
			t.Fatalf("the same again: %v, %v; want %v", again, err, first)
		}
	})
}
