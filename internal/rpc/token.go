package rpc

import (
	"context"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
)

const (
	tokenKey    = "authorization"
	tokenScheme = "bearer "
	// maxTokenBytes bounds what is hashed for a caller that is not known yet.
	maxTokenBytes = 512
)

// Token returns the bearer token that a call carries in the metadata
// "authorization: Bearer <token>"; ok is false where there is none. A header
// that cannot be read is UNAUTHENTICATED, and never taken for no token, since
// the caller meant to say who it is.
func Token(ctx context.Context) (token string, ok bool, err error) {
	md, _ := metadata.FromIncomingContext(ctx)
	values := md.Get(tokenKey)
	switch len(values) {
	case 0:
		return "", false, nil
	case 1:
	default:
		return "", false, badHeader("is there more than once; send one")
	}
	v := values[0]
	if len(v) <= len(tokenScheme) || !strings.EqualFold(v[:len(tokenScheme)], tokenScheme) {
		return "", false, badHeader("is not of the form \"Bearer <token>\"; send the token that you were given once")
	}
	token = strings.TrimSpace(v[len(tokenScheme):])
	if token == "" || len(token) > maxTokenBytes {
		return "", false, badHeader("holds no token of 1 to 512 bytes; send the token that you were given once")
	}
	return token, true, nil
}

func badHeader(fault string) error {
	return Fail(codes.Unauthenticated, "TOKEN_UNREADABLE", "the metadata authorization "+fault, nil)
}

// WithToken gives every call of a client the token; an empty one changes
// nothing. The connection is not encrypted by us: a token may only travel over
// the loopback address or a network that is closed by other means.
func WithToken(token string) grpc.DialOption {
	if token == "" {
		return grpc.EmptyDialOption{}
	}
	return grpc.WithPerRPCCredentials(bearer(token))
}

type bearer string

var _ credentials.PerRPCCredentials = bearer("")

// GetRequestMetadata implements credentials.PerRPCCredentials.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{tokenKey: "Bearer " + string(b)}, nil
}

// RequireTransportSecurity implements credentials.PerRPCCredentials; see
// WithToken.
func (bearer) RequireTransportSecurity() bool { return false }
