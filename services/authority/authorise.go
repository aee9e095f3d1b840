package authority

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// readVerbs begin the names of methods that change nothing.
var readVerbs = []string{"Get", "List", "Stream", "Watch", "Review", "Resolve", "Check", "Verify", "Query"}

// openMethods need no token, since a station calls them before it has one, or
// since reflection and health say nothing about the chain.
var openMethods = []string{
	"/samecup.v1.FleetService/EnrolStation",
	"/grpc.health.v1.Health/",
	"/grpc.reflection.",
}

// roleRule says who may call a method.
type roleRule struct {
	// what is done, as in "may not ...".
	what  string
	roles []govern.Role
}

var (
	lookAfterCases = roleRule{"look after cases", []govern.Role{govern.QualityLead, govern.Administrator}}
	// methodRules are those of methods that change what quality keeps. The
	// authority's own are decided by internal/govern, with the act.
	methodRules = map[string]roleRule{
		pb.CaseService_UpdateCase_FullMethodName: lookAfterCases,
		pb.CaseService_CloseCase_FullMethodName:  lookAfterCases,
		pb.CaseService_ReopenCase_FullMethodName: lookAfterCases,
		// As for a change of the site itself, which holds the calendar too.
		pb.InsightService_SetSiteCalendar_FullMethodName: {"set a site's calendar", []govern.Role{govern.FleetManager, govern.Administrator}},
	}
)

// mayCall refuses a person who has none of the roles that a method needs.
func mayCall[R ~string](method, person string, roles []R) error {
	rule, ok := methodRules[method]
	if !ok || slices.ContainsFunc(roles, func(r R) bool { return slices.Contains(rule.roles, govern.Role(r)) }) {
		return nil
	}
	names := make([]string, len(rule.roles))
	for i, r := range rule.roles {
		names[i] = string(r)
	}
	return rpc.Fail(codes.PermissionDenied, "ROLE_MISSING", fmt.Sprintf("%s may not %s: it needs the role %s; ask an administrator",
		person, rule.what, strings.Join(names, " or ")), map[string]string{"roles": strings.Join(names, ",")})
}

// Authorise is the authority's rpc.Authoriser: a call with a person's token may
// come from anywhere that the server listens on. The roles for what quality does
// are checked here, all others where the decision is taken. A call without a
// token must come from this machine; once somebody was added as a person it may
// read and enrol, no more.
func (s *Service) Authorise(ctx context.Context, method string) (rpc.Caller, error) {
	token, has, err := rpc.Token(ctx)
	if err != nil {
		return rpc.Caller{}, err
	}
	claimed, known := false, false
	var actor govern.Actor
	s.view(func(st *govern.State) {
		claimed = st.Claimed()
		actor, known = st.ActorByToken(tokenHash(token))
	})
	switch {
	case has && known:
		return rpc.Caller{Person: actor.Person, Name: actor.Name}, mayCall(method, actor.Person, actor.Roles)
	case has:
		return rpc.Caller{}, rpc.Fail(codes.Unauthenticated, "TOKEN_UNKNOWN", unknownToken, nil)
	}
	if _, err := rpc.LoopbackOnly(ctx, method); err != nil {
		return rpc.Caller{}, err
	}
	if claimed && !readable(method) {
		return rpc.Caller{}, rpc.Fail(codes.Unauthenticated, "TOKEN_MISSING", missingToken, nil)
	}
	return rpc.Caller{}, nil
}

func readable(method string) bool {
	if slices.ContainsFunc(openMethods, func(p string) bool { return strings.HasPrefix(method, p) }) {
		return true
	}
	name := method[strings.LastIndexByte(method, '/')+1:]
	return slices.ContainsFunc(readVerbs, func(p string) bool { return strings.HasPrefix(name, p) })
}

// whoWait bounds asking the authority who calls.
const whoWait = 5 * time.Second

// AuthoriseElsewhere is the rpc.Authoriser of a server in another process, such
// as quality by itself. from says which networks may call; whoever changes
// something is looked up at the authority, under the same rules as there. While
// it cannot be asked, a change is UNAVAILABLE: nobody could tell whether people
// were added meanwhile. Reading goes on.
func AuthoriseElsewhere(people pb.GovernanceServiceClient, from rpc.Authoriser) rpc.Authoriser {
	return func(ctx context.Context, method string) (rpc.Caller, error) {
		if who, err := from(ctx, method); err != nil || readable(method) {
			return who, err
		}
		token, has, err := rpc.Token(ctx)
		if err != nil {
			return rpc.Caller{}, err
		}
		ctx, cancel := context.WithTimeout(ctx, whoWait)
		defer cancel()
		if has {
			ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
		}
		me, err := people.GetMe(ctx, &pb.GetMeRequest{})
		switch code := status.Code(err); {
		case code == codes.Unauthenticated || code == codes.PermissionDenied:
			return rpc.Caller{}, err // the authority's own words
		case err != nil:
			return rpc.Caller{}, rpc.Fail(codes.Unavailable, "AUTHORITY_UNREACHABLE",
				"nothing was changed: the authority cannot be asked who may ("+status.Convert(err).Message()+"); try again when it runs", nil)
		case me.Unclaimed:
			return rpc.Caller{}, nil
		}
		id := strings.TrimPrefix(me.Person.GetName(), "people/")
		return rpc.Caller{Person: id, Name: me.Person.GetDisplayName()}, mayCall(method, id, me.Person.GetRoles())
	}
}
