package broker_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
	"kerfgate/queue/broker"
)

// fakeDesk is a database in memory that keeps the promises of broker.Desk.
type fakeDesk struct {
	mu        sync.Mutex
	keys      map[uuid.UUID]string
	plan      []byte
	offers    []broker.Offer
	withdrawn []broker.Offer
	lockout   map[uuid.UUID][]byte
	entries   []broker.Followed
	next      int64
	applied   map[uuid.UUID][]broker.Report // in the order of commits
	outOfUse  int
	calls     int                         // of Apply
	failures  int                         // Apply calls still to fail
	slow      map[uuid.UUID]chan struct{} // Apply, PlanChunk and Take wait for it
	takes     []broker.Taken
	changed   chan struct{} // poked at every change
}

func newDesk(keys map[uuid.UUID]string) *fakeDesk {
	return &fakeDesk{keys: keys, applied: map[uuid.UUID][]broker.Report{}, lockout: map[uuid.UUID][]byte{},
		slow: map[uuid.UUID]chan struct{}{}, changed: make(chan struct{}, 1)}
}

func (d *fakeDesk) poke() {
	select {
	case d.changed <- struct{}{}:
	default:
	}
}

func (d *fakeDesk) wait(ctx context.Context, machine uuid.UUID) {
	d.mu.Lock()
	c := d.slow[machine]
	d.mu.Unlock()
	if c != nil {
		select {
		case <-c:
		case <-ctx.Done():
		}
	}
}

func (d *fakeDesk) WorkerKeys(context.Context) (map[uuid.UUID]string, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	keys := map[uuid.UUID]string{}
	for m, key := range d.keys {
		keys[m] = key
	}
	return keys, nil
}

func (d *fakeDesk) PlanChunk(ctx context.Context, machine uuid.UUID, plan canon.Digest, offset, n int64) ([]byte, error) {
	d.wait(ctx, machine)
	if plan != canon.Sum(d.plan) || offset > int64(len(d.plan)) {
		return nil, errors.New("no such plan")
	}
	return d.plan[offset:min(offset+n, int64(len(d.plan)))], nil
}

func (d *fakeDesk) MachineState(_ context.Context, machine uuid.UUID, ask broker.StateAsk) (broker.State, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return broker.State{Epoch: ask.Process, Phase: "proposed", Applied: int64(len(d.applied[machine]))}, nil
}

func (d *fakeDesk) Take(ctx context.Context, machine uuid.UUID, taken broker.Taken) ([]byte, error) {
	d.wait(ctx, machine)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.takes = append(d.takes, taken)
	return fmt.Appendf(nil, "go %s", taken.Permit), nil
}

func (d *fakeDesk) Apply(ctx context.Context, machine uuid.UUID, report broker.Report) (int64, []byte, error) {
	d.wait(ctx, machine)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.calls++
	if report.Kind == broker.ReportOutOfUse {
		d.outOfUse++
	}
	if d.failures > 0 {
		d.failures--
		return 0, nil, errors.New("no database now")
	}
	done := d.applied[machine]
	if report.Number == int64(len(done))+1 {
		done = append(done, report)
		d.applied[machine] = done
		d.poke()
	}
	return int64(len(done)), fmt.Appendf(nil, "applied %d", len(done)), nil
}

func (d *fakeDesk) Follow(_ context.Context, _ string, limit int) ([]broker.Followed, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	from := min(d.next, int64(len(d.entries)))
	return append([]broker.Followed(nil), d.entries[from:min(from+int64(limit), int64(len(d.entries)))]...), nil
}

func (d *fakeDesk) SetFollowed(_ context.Context, _ string, next int64) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.next = max(d.next, next)
	d.poke()
	return nil
}

func (d *fakeDesk) Offers(_ context.Context, machine uuid.UUID) ([]broker.Offer, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var list []broker.Offer
	for _, o := range d.offers {
		if machine == uuid.Nil || o.Machine == machine {
			list = append(list, o)
		}
	}
	return list, nil
}

// offeredAhead is how many runs a machine of these tests prepares.
const offeredAhead = 2

func (d *fakeDesk) OffersOf(ctx context.Context, machine uuid.UUID, runs []uuid.UUID) ([]broker.Offer, bool, error) {
	list, err := d.Offers(ctx, machine)
	more := len(list) > offeredAhead
	return slices.DeleteFunc(list, func(o broker.Offer) bool { return !slices.Contains(runs, o.Run) }), more, err
}

func (d *fakeDesk) Withdrawn(_ context.Context, runs []uuid.UUID) ([]broker.Offer, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var list []broker.Offer
	for _, o := range d.withdrawn {
		if slices.Contains(runs, o.Run) {
			list = append(list, o)
		}
	}
	return list, nil
}

func (d *fakeDesk) LockoutNote(_ context.Context, machine uuid.UUID) ([]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.lockout[machine], nil
}

// offer adds a run and its entry.
func (d *fakeDesk) offer(o broker.Offer) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.offers = append(d.offers, o)
	d.entries = append(d.entries, broker.Followed{Index: int64(len(d.entries)), Kind: "run proposed", Machine: o.Machine, Run: o.Run})
}

// lockOut adds a lockout's statement and its entry.
func (d *fakeDesk) lockOut(machine uuid.UUID, note string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.lockout[machine] = []byte(note)
	d.entries = append(d.entries, broker.Followed{Index: int64(len(d.entries)), Kind: "lockout.set", Machine: machine})
}

func (d *fakeDesk) count(machine uuid.UUID) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.applied[machine])
}
