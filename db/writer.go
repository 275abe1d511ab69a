package db

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
)

const (
	// batchChanges bounds how many changes share a transaction.
	batchChanges = 256
	// batchBytes is how large a change may be to share one: a drawing is sent by itself.
	batchBytes = 64 << 10
	// patience is how long changes wait for a row that somebody else holds before the others go on
	// without them. A batch that runs into it falls apart; a change alone goes on waiting, and the
	// next batch starts beside it.
	patience = 20 * time.Millisecond
	// crowd is from how many callers on it matters how they are shared out.
	crowd = 4
	// gathering is the part of a batch's flush for which the next one waits at most for those who were
	// answered and come again.
	gathering = 4
	// batchFalls is after how many failures a batch is taken apart altogether.
	batchFalls = 3
)

// writer puts changes that come at the same time into one transaction: one lock of the head, one
// flush to the disk. A caller who is alone waits for nobody.
//
// One batch at a time runs its statements. It has all its locks when it has the head's, so the next
// one may start then and run its statements while the first is flushed: two batches of one server
// never wait for each other in a circle. Where statements take longer than what follows them, many
// callers are therefore shared out between two batches, half of them each. Where the disk is what
// takes time they go together, with one flush for all: a small batch between two large ones would be
// a flush for nothing, so the next one waits a moment for those who were answered to come again.
//
// Nothing that one change does reaches another: whatever fails takes the whole transaction back, the
// change that failed is taken out, and the rest is done again. A change that failed by its guards
// has its answer; one that failed by an exception is tried by itself, and what happens then is its
// answer. The zero writer with its three fields set is ready for use.
type writer struct {
	pool      *pgxpool.Pool
	log       *slog.Logger
	committed func(index int64)

	mu       sync.Mutex
	queue    []*pending
	occupied bool // a batch is running its statements
	under    int  // how many changes are in batches
	pace     pace
	gather   int       // how many changes the next batch waits for,
	until    time.Time // and until when

	measured measured
}

// pending is a change on its way to the database.
type pending struct {
	write
	alone   bool         // shares no transaction
	batch   *batch       // that has it; nil in the queue. Guarded by the writer's mutex, as is left.
	left    bool         // nobody waits for it
	outcome chan outcome // holds one
}

type outcome struct {
	index int64
	err   error
}

// batch is what goes into one transaction. It ends early when nobody waits for it any more.
type batch struct {
	changes []*pending
	end     context.CancelFunc
	// Guarded by the writer's mutex:
	waiting  int  // how many callers wait for it
	madeRoom bool // the next batch may start, or has
	share    int  // how many changes it counts for in writer.under
}

// do writes a change and returns the index of its last entry. A change whose context ends in the
// queue is not made; one that shares a transaction by then is made or fails with the others, and do
// says which. Errors are those of package pgx, ErrConflict, and what a statement names.
func (w *writer) do(ctx context.Context, change write) (int64, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	began := time.Now()
	defer func() { w.measured.waitedNS.Add(int64(time.Since(began))) }()
	p := &pending{write: change, alone: change.bytes() > batchBytes, outcome: make(chan outcome, 1)}
	w.mu.Lock()
	w.queue = append(w.queue, p)
	w.start()
	w.mu.Unlock()
	select {
	case o := <-p.outcome:
		return o.index, o.err
	case <-ctx.Done():
	}
	if w.leave(p) {
		return 0, ctx.Err()
	}
	o := <-p.outcome
	if o.err != nil {
		return 0, ctx.Err()
	}
	return o.index, nil
}

// leave takes a change out of the queue, or its caller out of the batch that has it.
func (w *writer) leave(p *pending) (unmade bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	p.left = true
	if p.batch != nil {
		if p.batch.waiting--; p.batch.waiting == 0 {
			p.batch.end()
		}
		return false
	}
	n := len(w.queue)
	w.queue = slices.DeleteFunc(w.queue, func(q *pending) bool { return q == p })
	return len(w.queue) < n
}

// start gives what waits to a new batch, unless one is running its statements. The mutex is held.
func (w *writer) start() {
	if w.occupied || len(w.queue) == 0 {
		return
	}
	b := &batch{}
	if first := w.queue[0]; first.alone {
		b.changes, w.queue = []*pending{first}, w.queue[1:]
	} else {
		share := min(len(w.queue), batchChanges)
		callers := w.under + len(w.queue)
		switch known := max(callers, w.gather); {
		case known <= crowd:
		case w.pace.overlap(known):
			if len(w.queue) < w.under {
				return // those who are answered next come again, and the batches become alike
			}
			share = min((callers+1)/2, batchChanges)
		case w.under > 0 || len(w.queue) < w.gather && time.Now().Before(w.until):
			return
		}
		var rest []*pending
		for _, p := range w.queue {
			if p.alone || len(b.changes) == share {
				rest = append(rest, p)
			} else {
				b.changes = append(b.changes, p)
			}
		}
		w.queue = rest
	}
	w.occupied = true
	b.share = len(b.changes)
	w.under += b.share
	w.measured.batches.Add(1)
	w.measured.changes.Add(int64(b.share))
	var ctx context.Context
	ctx, b.end = context.WithCancel(context.Background())
	b.waiting = len(b.changes)
	for _, p := range b.changes {
		p.batch = b
	}
	go w.run(ctx, b)
}

// run makes a batch of changes and gives each its outcome.
func (w *writer) run(ctx context.Context, b *batch) {
	defer b.end()
	defer w.over(b)
	timer := time.AfterFunc(patience, func() { w.over(b) })
	defer timer.Stop()
	headTaken := func() { w.makeRoom(b) }

	var conflicts []*pending // answered once that stands which they conflict with
	changes := b.changes
	for falls, breaks := 0, 0; len(changes) > 0; {
		t := transaction{writer: w, changes: changes, headTaken: headTaken}
		err := t.run(ctx)
		var out []*pending // of this transaction
		switch {
		case err == nil:
			w.pass(len(changes), t.working, t.waited)
			w.committed(t.last[len(t.last)-1])
			for i, p := range changes {
				p.outcome <- outcome{index: t.last[i]}
			}
			out = changes
		case t.broken && ctx.Err() == nil && breaks == 0:
			// Nothing was done, so another connection may do it.
			w.log.Warn("changes are written again: the connection to the database broke", "changes", len(changes), "error", err)
			breaks++
		case len(changes) == 1 || t.unknown:
			answer(changes, err)
			out = changes
		case len(t.conflicts) > 0:
			for p, conflict := range t.conflicts {
				out = append(out, p)
				if conflict == ErrConflict {
					conflicts = append(conflicts, p)
				} else {
					// It will not be decided anew, so it must be true without the others.
					w.again(b, []*pending{p})
				}
			}
		default:
			out = changes
			if falls++; t.fault != nil && falls < batchFalls {
				out = []*pending{t.fault}
			}
			w.again(b, out)
		}
		changes = slices.DeleteFunc(slices.Clone(changes), func(p *pending) bool { return slices.Contains(out, p) })
	}
	answer(conflicts, ErrConflict)
}

// makeRoom lets the next batch run its statements: this one has all its locks and is being flushed.
func (w *writer) makeRoom(b *batch) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !b.madeRoom {
		b.madeRoom, w.occupied = true, false
	}
	w.start()
}

// over lets nobody wait for a batch any longer: it has ended, or it waits for somebody itself.
func (w *writer) over(b *batch) {
	w.mu.Lock()
	w.under -= b.share
	b.share = 0
	w.mu.Unlock()
	w.makeRoom(b)
}

// pass notes how a batch went, and for whom the next one waits.
func (w *writer) pass(changes int, working, waited time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.pace.note(changes, working, waited)
	w.gather = w.under + len(w.queue)
	if w.gather > crowd && !w.pace.overlap(w.gather) { // only then does the next one wait
		w.until = time.Now().Add(waited / gathering)
		time.AfterFunc(waited/gathering, func() {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.start()
		})
	}
}

// pace is how long batches took of late.
type pace struct {
	change time.Duration // the statements of one change
	flush  time.Duration // what a batch waits for while it has the head
}

func (p *pace) note(changes int, working, waited time.Duration) {
	p.change += (working/time.Duration(changes) - p.change) / 8
	p.flush += (waited - p.flush) / 8
}

// overlap says whether so many callers get on faster in two batches, of which one runs its statements while the
// other is flushed, than in one with one flush. n callers with statements of s each are through after n·s and a
// flush of f, or after two flushes; what else is done with the head held is the same for both.
func (p *pace) overlap(callers int) bool { return time.Duration(callers)*p.change > p.flush }

func answer(changes []*pending, err error) {
	for _, p := range changes {
		p.outcome <- outcome{err: err}
	}
}

// again puts changes back into the queue, first and each by itself: what happens then is their answer.
func (w *writer) again(b *batch, changes []*pending) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, p := range slices.Backward(changes) {
		if p.left {
			p.outcome <- outcome{err: context.Canceled}
			continue
		}
		p.alone, p.batch = true, nil
		w.queue = slices.Insert(w.queue, 0, p)
		if b.waiting--; b.waiting == 0 {
			b.end()
		}
	}
	w.start()
}
