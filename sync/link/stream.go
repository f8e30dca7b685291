package link

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

const (
	openWait    = 30 * time.Second // for a cluster to find its leaders
	tooFewPeers = 10005            // what a cluster says while its members still look for each other
)

// open tries for a while, because a cluster that has just started has no leaders
// yet, and answers nothing until it has.
func (h *Hub) open(ctx context.Context, cfg *HubConfig) error {
	ctx, cancel := context.WithTimeout(ctx, openWait)
	defer cancel()
	for {
		err := h.attempt(ctx, cfg)
		if err == nil || !mayPass(err) {
			return err
		}
		h.log.Warn("the hub's ledger is not ready", "cause", err)
		if !sleep(ctx, retryPause) {
			return err
		}
	}
}

// mayPass says whether waiting can help: an answer that is not a "not yet" stands.
func mayPass(err error) bool {
	var said *jetstream.APIError
	if errors.As(err, &said) {
		return said.Code == 503 || said.ErrorCode == tooFewPeers
	}
	return !errors.Is(err, errUnfit)
}

func (h *Hub) attempt(ctx context.Context, cfg *HubConfig) error {
	ctx, cancel := context.WithTimeout(ctx, askAgain)
	defer cancel()
	return h.ensure(ctx, cfg)
}

// ensure makes the stream, or fits one that is there.
func (h *Hub) ensure(ctx context.Context, cfg *HubConfig) error {
	stream, err := h.js.Stream(ctx, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if err := h.setAside(cfg.Broker); err != nil {
			return err
		}
		stream, err = h.js.CreateStream(ctx, cfg.stream())
	}
	if err != nil {
		return err
	}
	have := stream.CachedInfo().Config
	if err := fits(have); err != nil {
		return err
	}
	if want, differs := cfg.change(have); differs {
		if stream, err = h.js.UpdateStream(ctx, want); err != nil {
			return err
		}
	}
	h.made = stream.CachedInfo().Created
	return nil
}

func (cfg *HubConfig) stream() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:       StreamName,
		Subjects:   []string{everyUp},
		Storage:    jetstream.FileStorage,
		Discard:    jetstream.DiscardNew,
		Replicas:   max(1, cfg.Replicas),
		MaxBytes:   cmp.Or(cfg.MaxBytes, -1),
		Duplicates: cmp.Or(cfg.Window, window),
	}
}

// change is what an older stream should become.
func (cfg *HubConfig) change(have jetstream.StreamConfig) (want jetstream.StreamConfig, differs bool) {
	want = have
	want.Replicas = max(have.Replicas, cfg.Replicas)
	want.MaxBytes = cmp.Or(cfg.MaxBytes, have.MaxBytes)
	want.Duplicates = cmp.Or(cfg.Window, have.Duplicates)
	return want, want.Replicas != have.Replicas || want.MaxBytes != have.MaxBytes || want.Duplicates != have.Duplicates
}

var errUnfit = errors.New("the stream that is there cannot be a ledger")

// fits refuses a stream that would lose pieces by its own rules, or acknowledge
// what it has not stored.
func fits(have jetstream.StreamConfig) error {
	for _, rule := range []struct {
		broken bool
		says   string
	}{
		{!slices.Equal(have.Subjects, []string{everyUp}), "its subjects are not " + everyUp},
		{have.Storage != jetstream.FileStorage, "it is kept in memory"},
		{have.Retention != jetstream.LimitsPolicy, "it drops what was read"},
		{have.Discard != jetstream.DiscardNew, "it drops old pieces to make room"},
		{have.MaxAge != 0 || have.MaxMsgs > 0 || have.MaxMsgsPerSubject > 0, "it drops pieces by age or number"},
		{have.NoAck, "it acknowledges nothing"},
		{have.PersistMode == jetstream.AsyncPersistMode, "it acknowledges before it stores"},
		{have.Sealed, "it is sealed"},
	} {
		if rule.broken {
			return fmt.Errorf("%w: %s", errUnfit, rule.says)
		}
	}
	return nil
}

// setAside moves away the files of a stream that the server does not know any
// more, because they are damaged. A new stream on top of them would acknowledge
// pieces and lose them at the next start.
func (h *Hub) setAside(b *Broker) error {
	if b == nil || b.clustered {
		return nil
	}
	dir := b.streamDir(StreamName)
	if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	aside, err := os.MkdirTemp(b.dir, "damaged-")
	if err != nil {
		return fmt.Errorf("set a damaged stream aside: %w", err)
	}
	if err := os.Rename(dir, filepath.Join(aside, StreamName)); err != nil {
		return fmt.Errorf("set a damaged stream aside: %w", err)
	}
	h.log.Error("the ledger's stream cannot be read and was set aside; a new one begins", "aside", aside)
	return nil
}
