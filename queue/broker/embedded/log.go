package embedded

import (
	"fmt"
	"log/slog"

	"github.com/nats-io/nats-server/v2/server"
)

// logger passes the broker's lines to slog. Its notices are routine and go to debug; a fatal error
// ends the start, which Run reports, and not the process.
type logger struct {
	log   *slog.Logger
	fatal chan<- string // the first one
}

var _ server.Logger = logger{}

func (l logger) Noticef(format string, v ...any) { l.log.Debug(fmt.Sprintf(format, v...)) }
func (l logger) Warnf(format string, v ...any)   { l.log.Warn(fmt.Sprintf(format, v...)) }
func (l logger) Errorf(format string, v ...any)  { l.log.Error(fmt.Sprintf(format, v...)) }
func (l logger) Debugf(format string, v ...any)  { l.log.Debug(fmt.Sprintf(format, v...)) }
func (l logger) Tracef(format string, v ...any)  { l.log.Debug(fmt.Sprintf(format, v...)) }

func (l logger) Fatalf(format string, v ...any) {
	text := fmt.Sprintf(format, v...)
	l.log.Error(text)
	select {
	case l.fatal <- text:
	default:
	}
}
