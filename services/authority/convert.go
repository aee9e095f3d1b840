package authority

import (
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

func releaseInfo(r store.Release) *pb.ReleaseInfo {
	return &pb.ReleaseInfo{
		Number:        r.Number,
		Scope:         r.Scope,
		CreatedTime:   timestamppb.New(r.CreatedAt),
		EffectiveTime: timestamppb.New(r.EffectiveAt),
		Note:          r.Note,
		Author:        r.Author,
		Digest:        r.Digest[:],
		ServingCount:  int32(r.ServingCount),
		Chain:         r.Chain,
		Edition:       r.Edition,
		RollsBackTo:   r.RollsBackTo,
		NeedsRebase:   r.NeedsRebase,
		Safety:        r.Safety,
	}
}

func sourceFiles(files []*pb.SourceFile) map[string][]byte {
	out := make(map[string][]byte, len(files))
	for _, f := range files {
		out[f.GetPath()] = f.GetContent()
	}
	return out
}

func problemsToProto(ps drink.Problems) []*pb.Problem {
	out := make([]*pb.Problem, len(ps))
	for i, p := range ps {
		out[i] = &pb.Problem{
			Level: p.Level.String(),
			File:  p.File,
			Line:  int32(p.Line),
			Field: p.Field,
			Text:  sentence(p),
		}
	}
	return out
}

// sentence is a problem without its place, which travels in fields of its own.
func sentence(p drink.Problem) string {
	p.File, p.Line, p.Field = "", 0, ""
	return p.String()
}

// maxViolations bounds the details of one error: they travel in a trailer,
// which clients bound too.
const maxViolations = 200

// violations makes one violation of each problem that blocks a release, its
// field being "file:line: path".
func violations(errs drink.Problems) []rpc.Violation {
	out := make([]rpc.Violation, 0, min(len(errs), maxViolations+1))
	for i, p := range errs {
		if i == maxViolations {
			return append(out, rpc.Violation{Field: "files",
				Description: fmt.Sprintf("%d more errors are not listed; check the book on its own", len(errs)-i)})
		}
		place := p.File
		if p.Line > 0 {
			place = fmt.Sprintf("%s:%d", place, p.Line)
		}
		switch {
		case place == "":
			place = p.Field
		case p.Field != "":
			place += ": " + p.Field
		}
		out = append(out, rpc.Violation{Field: place, Description: sentence(p)})
	}
	return out
}
