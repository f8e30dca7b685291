package view

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
)

// logger hands Badger's messages on. In several cases of damage its errors are
// the only sign, so they stay errors; its chatter is for those who debug.
type logger struct{ to *slog.Logger }

func (l logger) Errorf(format string, args ...any)   { l.log(slog.LevelError, format, args) }
func (l logger) Warningf(format string, args ...any) { l.log(slog.LevelWarn, format, args) }
func (l logger) Infof(format string, args ...any)    { l.log(slog.LevelDebug, format, args) }
func (l logger) Debugf(format string, args ...any)   { l.log(slog.LevelDebug, format, args) }

func (l logger) log(level slog.Level, format string, args []any) {
	if l.to == nil || !l.to.Enabled(context.Background(), level) {
		return
	}
	l.to.Log(context.Background(), level, "view store", "says", strings.TrimSpace(fmt.Sprintf(format, args...)))
}
