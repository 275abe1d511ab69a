package worker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

// handlers is what the worker does about each message. A statement that the server's key did not
// sign goes no further than here.
func (w *Worker) handlers() broker.Handlers {
	return broker.Handlers{
		Offer: w.onOffer,
		Challenge: func(ask broker.ChallengeAsk) {
			w.inbox.offer(evChallenge{ask: ask})
		},
		Permit: func(msg []byte) {
			digest := canon.Digest(permit.Digest(msg))
			statement, err := permit.OpenPermit(msg, w.pins.serverKeys())
			if err != nil {
				w.cfg.Log.Warn("permit not taken", "permit", digest.Short(), "error", err)
				w.inbox.offer(evForged{digest: digest})
				return
			}
			w.inbox.offer(evPermit{statement: statement, digest: digest})
		},
		Go: func(msg []byte) {
			opened(w, "go", msg, permit.OpenGo, func(s permit.Go) event { return evGo{statement: s} })
		},
		Void: func(msg []byte) {
			opened(w, "void", msg, permit.OpenVoid, func(s permit.Void) event { return evVoid{statement: s} })
		},
		Resume: func(msg []byte) {
			opened(w, "resume", msg, permit.OpenResume, func(s permit.Resume) event { return evResume{statement: s} })
		},
		Handover: func(msg []byte) {
			opened(w, "hand-over", msg, permit.OpenHandover, func(s permit.Handover) event { return evHandover{statement: s} })
		},
		Lockout: w.onLockout,
		Applied: func(msg []byte) {
			opened(w, "applied", msg, permit.OpenApplied, func(s permit.Applied) event { return evApplied{statement: s} })
		},
		Setup: func(command broker.SetupCommand) {
			digest := canon.Digest(permit.Digest(command.Leave))
			opened(w, "set-up leave", command.Leave, permit.OpenLeave, func(s permit.Leave) event {
				return evSetup{leave: s, digest: digest, command: command}
			})
		},
		Pause: func(p broker.Pause) {
			w.cfg.Log.Info("pause", "by", p.By)
			w.Pause()
		},
		Wake: w.Wake,
		Stop: func(stop broker.Stop) {
			s := w.Stop()
			w.cfg.Log.Info("stop", "by", stop.By, "took", s.Took, "error", s.Err)
		},
	}
}

func opened[T any](w *Worker, what string, msg []byte, open func([]byte, note.Verifiers) (T, error), e func(T) event) {
	statement, err := open(msg, w.pins.serverKeys())
	if err != nil {
		w.cfg.Log.Warn("statement not taken", "statement", what, "error", err)
		return
	}
	w.inbox.offer(e(statement))
}

func (w *Worker) onLockout(msg []byte) {
	opened(w, "lockout", msg, permit.OpenLockout, func(s permit.Lockout) event {
		return evLockout{statement: s, note: msg}
	})
}

// onOffer returns once the result of preparing the run is in the journal.
func (w *Worker) onOffer(ctx context.Context, o broker.Offer) error {
	result := make(chan error, 1)
	if !w.inbox.offer(evOffer{offer: o, done: func(err error) {
		select {
		case result <- err:
		default:
		}
	}}) {
		return errNotNow
	}
	select {
	case err := <-result:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Wake makes the worker ask for the server's state now.
func (w *Worker) Wake() {
	select {
	case w.poll <- struct{}{}:
	default:
	}
}

// Connected tells the worker that the connection to the broker is up or lost. Losing it stops
// nothing: attendance and stop have a way of their own.
func (w *Worker) Connected(up bool) {
	if up && w.sender != nil {
		w.sender.reconnected()
		w.Wake()
	}
}

// pollWait is how long the server may take to tell its state.
const pollWait = 5 * time.Second

func (w *Worker) pollState(ctx context.Context) {
	timer := time.NewTimer(w.cfg.Poll)
	defer timer.Stop()
	for {
		w.askState(ctx)
		timer.Reset(w.cfg.Poll)
		select {
		case <-ctx.Done():
			return
		case <-w.poll:
		case <-timer.C:
		}
	}
}

func (w *Worker) askState(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, pollWait)
	defer cancel()
	state, err := w.link.State(ctx, broker.StateAsk{Process: w.process, HeadFrom: w.view.Load().headFrom})
	if err != nil {
		w.cfg.Log.Debug("the server's state", "error", err)
		return
	}
	w.followKeys(state.Successors)
	if len(state.Lockout) > 0 {
		w.onLockout(state.Lockout)
	}
	if len(state.Handover) > 0 {
		opened(w, "hand-over", state.Handover, permit.OpenHandover, func(s permit.Handover) event { return evHandover{statement: s} })
	}
	w.inbox.offer(evState{state: state})
}

func (w *Worker) runLink(ctx context.Context) {
	if err := w.link.Run(ctx); err != nil && !errors.Is(err, context.Canceled) {
		w.inbox.post(evFatal{err: fmt.Errorf("the link to the server: %w", err)})
	}
}
