package link

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
)

// brokerLog turns what the server says into log events, and keeps the first
// thing that it calls fatal: the server tells nobody else.
type brokerLog struct {
	to *slog.Logger

	mu    sync.Mutex
	first error
}

func (l *brokerLog) fatal() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.first
}

// Noticef is for the server's account of itself, which fills pages.
func (l *brokerLog) Noticef(format string, v ...any) { l.say(slog.LevelDebug, format, v) }

// Warnf reports what needs no action at once.
func (l *brokerLog) Warnf(format string, v ...any) { l.say(slog.LevelWarn, format, v) }

// Errorf reports what failed.
func (l *brokerLog) Errorf(format string, v ...any) { l.say(slog.LevelError, format, v) }

// Debugf and Tracef are never called: neither is switched on.
func (l *brokerLog) Debugf(format string, v ...any) { l.say(slog.LevelDebug, format, v) }

// Tracef is like Debugf.
func (l *brokerLog) Tracef(format string, v ...any) { l.say(slog.LevelDebug, format, v) }

// Fatalf does not end the process, as the server's own logger would.
func (l *brokerLog) Fatalf(format string, v ...any) {
	l.say(slog.LevelError, format, v)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.first == nil {
		l.first = fmt.Errorf(format, v...)
	}
}

func (l *brokerLog) say(level slog.Level, format string, v []any) {
	l.to.Log(context.Background(), level, "broker", "says", fmt.Sprintf(format, v...))
}
