package authority

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/rpc"
)

// tokenHash is all that is kept of a person's token.
func tokenHash(token string) govern.Digest {
	return sha256.Sum256([]byte("samecup person " + token))
}

const (
	missingToken = "this installation has people, so a change needs a person's token, and the call carries none"
	unknownToken = "the token belongs to nobody: it is mistyped, was renewed since, or its person was disabled; ask an administrator for a new one"
)

// caller is who calls: the person whose token stands in the metadata
// "authorization: Bearer <token>", or Local while nobody was added. Which
// networks may call at all is the server's matter.
func (s *Service) caller(ctx context.Context) (govern.Actor, error) {
	token, has, err := rpc.Token(ctx)
	if err != nil {
		return govern.Actor{}, err
	}
	actor := govern.Actor{Person: govern.Local, Name: "The local caller"}
	s.view(func(st *govern.State) {
		if !st.Claimed() {
			return
		}
		if !has {
			err = rpc.Fail(codes.Unauthenticated, "TOKEN_MISSING", missingToken, nil)
			return
		}
		found := false
		if actor, found = st.ActorByToken(tokenHash(token)); !found {
			err = rpc.Fail(codes.Unauthenticated, "TOKEN_UNKNOWN", unknownToken, nil)
		}
	})
	return actor, err
}

// call makes the govern.Call of a request. An empty id makes no promise about
// a second try. The digest stands for all that was asked, and who asked counts
// with it.
func (s *Service) call(ctx context.Context, requestID string, digest [32]byte) (govern.Call, error) {
	actor, err := s.caller(ctx)
	if err != nil {
		return govern.Call{}, err
	}
	c := govern.Call{Actor: actor, At: s.now()}
	if requestID != "" {
		c.RequestID = strings.ToLower(requestID) // one id in two spellings is one id
		c.RequestDigest = sha256.Sum256(fmt.Appendf(nil, "%s\x00%x", actor.Person, digest))
	}
	return c, nil
}

var refusalCodes = map[govern.Code]codes.Code{
	govern.InvalidArgument:    codes.InvalidArgument,
	govern.NotFound:           codes.NotFound,
	govern.AlreadyExists:      codes.AlreadyExists,
	govern.PermissionDenied:   codes.PermissionDenied,
	govern.FailedPrecondition: codes.FailedPrecondition,
	govern.Aborted:            codes.Aborted,
}

// refusal turns what a decision refused into a status; other errors stay what
// they are. It is the only place that does.
func refusal(err error) error {
	r, ok := errors.AsType[*govern.Refused](err)
	if !ok {
		return err
	}
	code, ok := refusalCodes[r.Code]
	if !ok {
		code = codes.FailedPrecondition
	}
	text := r.Text
	if r.Field != "" {
		switch code {
		case codes.InvalidArgument:
			return rpc.Invalid(rpc.Violation{Field: r.Field, Description: r.Text})
		case codes.FailedPrecondition:
			if r.Reason == "CAUTION_UNACKNOWLEDGED" { // one a line, with its text
				var out []rpc.Violation
				for _, k := range r.Fields {
					out = append(out, rpc.Violation{Field: r.Field, Description: "lacks " + k})
				}
				return rpc.Blocked(r.Reason, out...)
			}
			return rpc.Blocked(r.Reason, rpc.Violation{Field: r.Field, Description: r.Text})
		}
		text = rpc.Violation{Field: r.Field, Description: r.Text}.String()
	}
	meta := map[string]string{}
	if r.Field != "" {
		meta["field"] = r.Field
	}
	if len(r.Fields) > 0 {
		meta["fields"] = strings.Join(r.Fields, " ")
	}
	return rpc.Fail(code, r.Reason, text, meta)
}
