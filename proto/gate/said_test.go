package gate

import (
	"log/slog"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// What gRPC or the gateway says by itself leaves in our words: its text only
// where it speaks of the request.
func TestWhatOthersSayIsPutInOurWords(t *testing.T) {
	g := &Gate{cfg: Config{Log: slog.New(slog.DiscardHandler)}}
	for said, want := range map[codes.Code]struct {
		code   codes.Code
		reason string
		text   bool // that was said leaves
	}{
		codes.InvalidArgument:   {codes.InvalidArgument, "UNREADABLE", true},
		codes.Canceled:          {codes.Canceled, "DROPPED", false},
		codes.DeadlineExceeded:  {codes.DeadlineExceeded, "LATE", false},
		codes.Unavailable:       {codes.Unavailable, "AWAY", false},
		codes.Unimplemented:     {codes.Unimplemented, "UNSERVED", false},
		codes.Internal:          {codes.Internal, "INTERNAL", false},
		codes.Unknown:           {codes.Internal, "INTERNAL", false},
		codes.ResourceExhausted: {codes.Internal, "INTERNAL", false},
	} {
		got := g.refusal(t.Context(), status.Error(said, "pipe 7 is wet"))
		if got.Code() != want.code || infoOf(got).GetReason() != want.reason || strings.Contains(got.Message(), "pipe 7") != want.text {
			t.Errorf("%v: %q became %v %q %q", said, "pipe 7 is wet", got.Code(), infoOf(got).GetReason(), got.Message())
		}
	}
}
