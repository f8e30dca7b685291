package gate

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"github.com/bothy-mesh/bothy/proto/caller"
	"github.com/bothy-mesh/bothy/proto/fault"
)

// personKey is the metadata that names who acts.
const personKey = "bothy-person"

func newServer(log *slog.Logger) *grpc.Server {
	e := edge{log: log}
	return grpc.NewServer(
		grpc.MaxRecvMsgSize(messageMax),
		grpc.MaxHeaderListSize(headerMax),
		grpc.MaxConcurrentStreams(streamsMax),
		grpc.ConnectionTimeout(headerTime),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: pingEvery, Timeout: pingTime}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: pingLeast, PermitWithoutStream: true}),
		grpc.UnaryInterceptor(e.unary),
		grpc.StreamInterceptor(e.stream))
}

// edge is what every call passes on its way in and out.
type edge struct {
	log *slog.Logger
}

func (e edge) unary(ctx context.Context, request any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (answer any, err error) {
	if _, limited := ctx.Deadline(); !limited {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, callTime)
		defer cancel()
	}
	err = e.guard(ctx, info.FullMethod, func(ctx context.Context) (err error) {
		answer, err = handle(ctx, request)
		return err
	})
	return answer, err
}

func (e edge) stream(service any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
	return e.guard(stream.Context(), info.FullMethod, func(ctx context.Context) error {
		return handle(service, &streamWithContext{stream, ctx})
	})
}

type streamWithContext struct {
	grpc.ServerStream
	ctx context.Context
}

func (s *streamWithContext) Context() context.Context { return s.ctx }

// guard makes one call: who acts goes in with the context, and what goes wrong
// comes out as a fault.
func (e edge) guard(ctx context.Context, method string, call func(context.Context) error) error {
	started := time.Now()
	err := asPerson(ctx, call)
	if _, isStatus := status.FromError(err); isStatus && isGRPC(method) {
		return err
	}
	refused := fault.Of(err)
	if refused == nil {
		e.log.DebugContext(ctx, "call", "method", method, "code", "OK", "took", time.Since(started))
		return nil
	}
	if refused.Kind == fault.KindInternal {
		e.log.ErrorContext(ctx, "call failed", "method", method, "error", refused.Cause)
	}
	e.log.DebugContext(ctx, "call", "method", method, "code", refused.Kind.Code().String(), "took", time.Since(started))
	return refused
}

// isGRPC holds for the services of gRPC itself, health and reflection, whose
// errors are part of their protocol.
func isGRPC(method string) bool { return strings.HasPrefix(method, "/grpc.") }

// asPerson calls as the person that the metadata names. A panic is an error.
func asPerson(ctx context.Context, call func(context.Context) error) (err error) {
	defer func() {
		if what := recover(); what != nil {
			err = fmt.Errorf("panic: %v\n%s", what, debug.Stack())
		}
	}()
	named := metadata.ValueFromIncomingContext(ctx, personKey)
	if len(named) > 1 {
		return fault.Unreadable("%d persons are named in %s; one can act", len(named), personKey)
	}
	if len(named) == 1 {
		ctx = caller.WithPerson(ctx, named[0])
	}
	return call(ctx)
}
