package worker

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
	"kerfgate/worker/journal"
)

// writeJournal appends facts and reports as one frame: a fact and what is told about it become
// durable together, and the numbers have no gaps. It runs in the disk lane only.
func (w *Worker) writeJournal(a doWrite) {
	facts := a.facts
	number := w.book.LastNumber()
	err := error(nil)
	for _, r := range a.reports {
		number++
		r.Number = number
		data, merr := canon.Marshal(r)
		if merr != nil {
			err = fmt.Errorf("encoding report %d: %w", number, merr)
			break
		}
		facts = append(facts, journal.Fact{Kind: journal.Reported, Number: number, Data: data})
	}
	if a.tag != "" {
		w.cfg.Failpoint("before " + a.tag)
	}
	if err == nil {
		err = w.book.Append(facts...)
	}
	if err == nil && a.tag != "" {
		w.cfg.Failpoint("after " + a.tag)
	}
	if err != nil {
		w.cfg.Log.Error("the journal", "error", err)
	}
	if a.after != nil {
		a.after(err)
	}
	if err != nil || a.tag != "" {
		w.inbox.post(evWritten{tag: a.tag, err: err})
	}
	if len(a.reports) > 0 {
		w.sender.wake()
	}
}

// applied takes reports out of the journal. It runs in the disk lane only.
func (w *Worker) applied(number int64) {
	if number <= w.book.AppliedTo() {
		return
	}
	err := w.book.Append(journal.Fact{Kind: journal.Applied, Number: number})
	if err == nil {
		err = w.book.Compact()
	}
	if err != nil {
		w.cfg.Log.Error("the journal", "error", err)
		w.inbox.post(evWritten{err: err})
	}
}

// tellOutOfUse says once that the journal takes nothing any more; such a report has no number,
// because there is no journal to keep it.
func (w *Worker) tellOutOfUse(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, sendWait)
	defer cancel()
	w.warn("telling that the journal is out of use", w.link.Report(ctx, broker.Report{
		Kind: broker.ReportOutOfUse, Process: w.process, Reason: phraseOutOfUse, NeverMoved: false}))
}

// Times of the sender.
const (
	sendWait   = 5 * time.Second
	sendRetry  = time.Second
	resendMost = time.Minute
)

// sender publishes the journal's reports in order. Each stays in the journal until the server has
// applied it, and is sent again until then: at once when the link comes back, else ever more seldom.
type sender struct {
	w     *Worker
	ready chan struct{}
	again atomic.Bool // the link came back
}

func newSender(w *Worker) *sender { return &sender{w: w, ready: make(chan struct{}, 1)} }

func (s *sender) wake() {
	select {
	case s.ready <- struct{}{}:
	default:
	}
}

func (s *sender) reconnected() {
	s.again.Store(true)
	s.wake()
}

func (s *sender) run(ctx context.Context) {
	var sent int64
	gap := s.w.cfg.Resend
	timer := time.NewTimer(gap)
	defer timer.Stop()
	for {
		if s.again.Swap(false) {
			sent, gap = 0, s.w.cfg.Resend
		}
		wait := gap
		queued := s.w.book.Queued()
		var oldest int64
		if len(queued) > 0 {
			oldest = queued[0].Number
		}
		for _, q := range queued {
			if q.Number <= sent {
				continue
			}
			if err := s.send(ctx, q, oldest); err != nil {
				s.w.cfg.Log.Debug("report not sent", "number", q.Number, "error", err)
				wait = sendRetry
				break
			}
			sent = q.Number
		}
		timer.Reset(wait)
		select {
		case <-ctx.Done():
			return
		case <-s.ready:
		case <-timer.C:
			if wait == gap && len(s.w.book.Queued()) > 0 {
				sent, gap = 0, min(2*gap, max(resendMost, s.w.cfg.Resend))
			}
		}
	}
}

func (s *sender) send(ctx context.Context, q journal.Queued, oldest int64) error {
	var r broker.Report
	if err := canon.Unmarshal(q.Data, &r); err != nil {
		return fmt.Errorf("report %d in the journal: %w", q.Number, err)
	}
	r.Oldest = oldest
	ctx, cancel := context.WithTimeout(ctx, sendWait)
	defer cancel()
	return s.w.link.Report(ctx, r)
}
