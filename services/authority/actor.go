package authority

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/rpc"
)

// tokenHash is all that is kept of a person's token.
func tokenHash(token string) govern.Digest {
	return sha256.Sum256([]byte("samecup person " + token))
}

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
			err = rpc.Fail(codes.Unauthenticated, "TOKEN_MISSING", "this installation has people; call with a person's token (SAMECUP_TOKEN)", nil)
			return
		}
		found := false
		if actor, found = st.ActorByToken(tokenHash(token)); !found {
			err = rpc.Fail(codes.Unauthenticated, "TOKEN_UNKNOWN", "the token belongs to nobody, or to a person who was disabled; ask an administrator for a new one", nil)
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

// may asks for one of the roles where no act of internal/govern does; anybody
// may while nobody was added.
func (s *Service) may(ctx context.Context, what string, roles ...govern.Role) error {
	actor, err := s.caller(ctx)
	if err != nil || actor.Person == govern.Local {
		return err
	}
	if slices.ContainsFunc(roles, func(r govern.Role) bool { return slices.Contains(actor.Roles, r) }) {
		return nil
	}
	return rpc.Fail(codes.PermissionDenied, "ROLE_MISSING", fmt.Sprintf("%s may not %s: it needs the role %s; ask an administrator", actor.Person, what, roles[0]), nil)
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
			return rpc.Blocked(r.Reason, rpc.Violation{Field: r.Field, Description: r.Text})
		}
		text = r.Field + " " + r.Text
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
