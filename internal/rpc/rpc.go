// Package rpc answers how our gRPC servers and clients behave: limits,
// keepalive, health, reflection, who may call, how errors look, and how they
// stop.
package rpc

import (
	"context"
	"errors"
	"fmt"
	"net"
	"runtime/debug"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/status"
)

const (
	// MaxMessageBytes bounds a request and an answer.
	MaxMessageBytes = 16 << 20
	// DefaultDeadline bounds a unary call whose client set none.
	DefaultDeadline = 30 * time.Second

	stopGrace = 10 * time.Second
)

// Authoriser decides whether a caller may call a method, and tells who it is
// where the call says so. It is the only place that does.
type Authoriser func(ctx context.Context, method string) (Caller, error)

// Options for NewServer.
type Options struct {
	// Authorise nil allows callers on this machine and nobody else.
	Authorise Authoriser
}

// LoopbackOnly allows callers on this machine: the rule for callers without an
// identity.
func LoopbackOnly(ctx context.Context, _ string) (Caller, error) {
	return Caller{}, fromLoopback(ctx)
}

func fromLoopback(ctx context.Context) error {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return Fail(codes.PermissionDenied, "NO_PEER", "the caller's address is not known", nil)
	}
	switch a := p.Addr.(type) {
	case *net.TCPAddr:
		if a.IP.IsLoopback() {
			return nil
		}
	case *net.UnixAddr:
		return nil
	default:
		// In-process connections have no network address.
		if a.Network() == "bufconn" {
			return nil
		}
	}
	return Fail(codes.PermissionDenied, "NOT_LOOPBACK", fmt.Sprintf("%s is not on this machine; calls are taken from the loopback address only", p.Addr), nil)
}

// AsLocal makes a caller from anywhere count as one on this machine: for a
// network that is closed by other means.
func AsLocal(ctx context.Context) context.Context {
	return peer.NewContext(ctx, &peer.Peer{Addr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)}})
}

// Anyone allows every caller: for a network that is closed by other means.
func Anyone(context.Context, string) (Caller, error) { return Caller{}, nil }

// NewServer makes a server with our limits, health and reflection. Register
// services on it before Serve.
func NewServer(log *zap.Logger, opts Options) *grpc.Server {
	if opts.Authorise == nil {
		opts.Authorise = LoopbackOnly
	}
	g := guard{log: log, authorise: opts.Authorise}
	srv := grpc.NewServer(
		grpc.MaxRecvMsgSize(MaxMessageBytes),
		grpc.MaxSendMsgSize(MaxMessageBytes),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionAge: 30 * time.Minute, MaxConnectionAgeGrace: time.Minute, Time: time.Minute, Timeout: 10 * time.Second}),
		grpc.UnaryInterceptor(g.unary),
		grpc.StreamInterceptor(g.stream),
	)
	healthpb.RegisterHealthServer(srv, health.NewServer())
	reflection.Register(srv)
	return srv
}

type guard struct {
	log       *zap.Logger
	authorise Authoriser
}

func (g guard) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (res any, err error) {
	defer g.close(info.FullMethod, &err)
	who, err := g.authorise(ctx, info.FullMethod)
	if err != nil {
		return nil, err
	}
	ctx = withCaller(ctx, who)
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, DefaultDeadline)
		defer cancel()
	}
	return next(ctx, req)
}

func (g guard) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
	defer g.close(info.FullMethod, &err)
	who, err := g.authorise(ss.Context(), info.FullMethod)
	if err != nil {
		return err
	}
	return next(srv, &calledStream{ss, withCaller(ss.Context(), who)})
}

// close turns a panic or a plain error into a status, once, and logs what the
// caller is not shown.
func (g guard) close(method string, err *error) {
	if p := recover(); p != nil {
		g.log.Error("panic in a call", zap.String("method", method), zap.Any("panic", p), zap.ByteString("stack", debug.Stack()))
		*err = status.Error(codes.Internal, "internal error; it was logged")
		return
	}
	if *err == nil {
		return
	}
	if _, ok := status.FromError(*err); ok {
		return
	}
	switch {
	case errors.Is(*err, context.Canceled):
		*err = status.Error(codes.Canceled, "the call was cancelled")
	case errors.Is(*err, context.DeadlineExceeded):
		*err = status.Error(codes.DeadlineExceeded, "the call took longer than its deadline")
	default:
		g.log.Error("call failed", zap.String("method", method), zap.Error(*err))
		*err = status.Error(codes.Internal, "internal error; it was logged")
	}
}

// Serve runs the server until ctx ends, then lets calls finish for 10 s.
func Serve(ctx context.Context, srv *grpc.Server, lis net.Listener, log *zap.Logger) error {
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(lis) }()
	log.Info("listening", zap.Stringer("address", lis.Addr()))
	select {
	case err := <-failed:
		return fmt.Errorf("serve %s: %w", lis.Addr(), err)
	case <-ctx.Done():
	}
	t := time.AfterFunc(stopGrace, srv.Stop)
	defer t.Stop()
	srv.GracefulStop()
	<-failed
	return nil
}

// ListenLoopback listens on addr, which must be on this machine: until callers
// have identities nothing else may be bound.
func ListenLoopback(addr string) (net.Listener, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("listen address %q: write host:port, such as 127.0.0.1:7100", addr)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("listen address %q is not on this machine alone: callers have no identities yet, so only 127.0.0.1, [::1] or localhost can be bound", addr)
	}
	lis, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w", addr, err)
	}
	return lis, nil
}

// Dial makes a client connection; it does not wait for the server. Further
// options come after our own: WithToken, most often.
func Dial(addr string, opts ...grpc.DialOption) (*grpc.ClientConn, error) {
	cc, err := grpc.NewClient("passthrough:///"+addr, append([]grpc.DialOption{
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(MaxMessageBytes), grpc.MaxCallSendMsgSize(MaxMessageBytes)),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 30 * time.Second, Timeout: 10 * time.Second, PermitWithoutStream: true}),
	}, opts...)...)
	if err != nil {
		return nil, fmt.Errorf("dial %s: %w", addr, err)
	}
	return cc, nil
}
