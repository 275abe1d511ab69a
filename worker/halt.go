package worker

import (
	"context"
	"errors"
	"time"

	"kerfgate/worker/driver"
)

// Stopped is when and how fast off was sent.
type Stopped struct {
	OffSent time.Time     // wall clock, for people to read
	Took    time.Duration // from the call to the driver having sent off
	Err     error         // the driver could not send it, or there is no machine
}

var errNoMachine = errors.New("no machine is connected")

// Stop sends off at once, whatever else goes on, and from any goroutine; then it tells the core,
// which journals and reports it. It is idempotent and never refused (I5).
func (w *Worker) Stop() Stopped {
	began := time.Now()
	err := w.halt()
	s := Stopped{Took: time.Since(began), Err: err}
	s.OffSent = began.Add(s.Took)
	w.inbox.post(evStop{offSentMS: s.Took.Milliseconds(), failed: err != nil && !errors.Is(err, errNoMachine)})
	return s
}

// Pause switches the tool off and holds the carriage, if a run is under way. Only the server's
// signed resume goes on.
func (w *Worker) Pause() { w.inbox.post(evPause{reason: phrasePerson}) }

// BrokerLost pauses a run because the broker dropped messages meant for this worker: what was
// dropped is not known.
func (w *Worker) BrokerLost() { w.inbox.post(evPause{reason: phraseSlowLink}) }

// halt is the only way to the driver's Stop. The counter moves first, so that no line goes out
// behind it for a run that began before.
func (w *Worker) halt() error {
	w.stops.Add(1)
	w.dirty.Store(true)
	h := w.held.Load()
	if h == nil {
		return errNoMachine
	}
	return h.driver.Stop()
}

func (w *Worker) onMachine(what func(driver.Driver) error) error {
	h := w.held.Load()
	if h == nil {
		return errNoMachine
	}
	return what(h.driver)
}

var (
	errPlaceLost   = errors.New("the machine lost its place while it was paused")
	errPlaceByHand = errors.New("the machine lost its place while it was paused, and an axis is placed by hand")
	// errHomedAgain: the place was found again, and nothing went on: a person looks first.
	errHomedAgain = errors.New("the machine found its place again")
)

// homeAgainWithin is how long the axes may take to find their place again.
const homeAgainWithin = 2 * time.Minute

// goOn lets a held machine go on, if it still knows where it is. One that does not is homed again, tool off, where its
// profile lets it home without a hand and its lines can be told anew; a person looks before it goes on.
func (w *Worker) goOn(ctx context.Context) error {
	status, err := w.where()
	if err != nil {
		return err
	}
	if status.Homed {
		return w.onMachine(driver.Driver.GoOn)
	}
	if len(w.view.Load().profile.ByHand()) > 0 {
		return errPlaceByHand
	}
	ctx, cancel := context.WithTimeout(ctx, homeAgainWithin)
	defer cancel()
	err = w.onMachine(func(d driver.Driver) error { return d.HomeAgain(ctx) })
	switch {
	case errors.Is(err, driver.ErrRefused):
		w.cfg.Log.Warn("homing again", "error", err)
		return errPlaceLost
	case err != nil:
		return err
	}
	if status, err = w.where(); err != nil {
		return err
	}
	if !status.Homed { // a span that is not the profile's
		return errPlaceLost
	}
	return errHomedAgain
}

// where is what the machine says of itself. A place whose measured span is not the profile's is none:
// after a start of this process too, since the span is then not known.
func (w *Worker) where() (driver.Status, error) {
	h := w.held.Load()
	if h == nil {
		return driver.Status{}, errNoMachine
	}
	status, err := h.driver.Where()
	status.Homed = status.Homed && len(w.view.Load().profile.SpanProblems(status.Span)) == 0
	return status, err
}

// resetWait is how long a driver may take to become usable after a stop.
const resetWait = 15 * time.Second

// makeUsable resets the driver if off was sent since the last time.
func (w *Worker) makeUsable(ctx context.Context) error {
	h := w.held.Load()
	if h == nil {
		return errNoMachine
	}
	if !w.dirty.Swap(false) {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, resetWait)
	defer cancel()
	if err := h.driver.Reset(ctx); err != nil {
		w.dirty.Store(true)
		return err
	}
	return nil
}

func (w *Worker) sheet() *driver.Sheet {
	h := w.held.Load()
	if h == nil {
		return nil
	}
	sheet, err := h.driver.Sheet()
	if err != nil {
		w.cfg.Log.Warn("the machine's sheet", "error", err)
		return nil
	}
	return sheet
}
