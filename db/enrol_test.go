package db_test

import (
	"crypto/sha256"
	"errors"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/uuid"
	"github.com/nats-io/nkeys"

	"kerfgate/db"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

func newKey(t *testing.T) (nkeys.KeyPair, string) {
	t.Helper()
	pair, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := pair.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return pair, public
}

func (w *worker) code(t *testing.T, kind db.EnrolKind, secret string) [32]byte {
	t.Helper()
	hash := sha256.Sum256([]byte(secret))
	if _, err := w.MakeEnrolCode(t.Context(), w.Officer, db.NewEnrolCode{Kind: kind, Machine: w.Machine.ID, Name: "tablet at bay 1", Hash: hash}); err != nil {
		t.Fatal(err)
	}
	return hash
}

// entries counts those of a kind.
func (w *worker) entries(t *testing.T, kind string) int {
	t.Helper()
	list, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 100, Kind: kind})
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}

// A code holds once, until its time is over or a newer one is made, and for what it was made for.
func TestEnrolCodeHoldsOnce(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	_, public := newKey(t)
	older, code := w.code(t, db.EnrolsWorker, "older"), w.code(t, db.EnrolsWorker, "newer")
	if _, err := w.EnrolWorker(ctx, older, public, 0); !errors.Is(err, db.ErrEnrolCode) {
		t.Errorf("a replaced code: %v", err)
	}
	if _, err := w.EnrolStation(ctx, code, [32]byte{1}); !errors.Is(err, db.ErrEnrolCode) {
		t.Errorf("a worker's code for a station: %v", err)
	}
	if _, err := w.Pool.Exec(ctx, `UPDATE enrol_code SET expires_at = now() WHERE code_hash = $1`, code[:]); err != nil {
		t.Fatal(err)
	}
	if _, err := w.EnrolWorker(ctx, code, public, 0); !errors.Is(err, db.ErrEnrolCode) {
		t.Errorf("an expired code: %v", err)
	}
	code = w.code(t, db.EnrolsWorker, "third")
	var done atomic.Int64
	var wg sync.WaitGroup
	for range 8 {
		_, public := newKey(t)
		wg.Go(func() {
			switch _, err := w.EnrolWorker(ctx, code, public, 0); {
			case err == nil:
				done.Add(1)
			case !errors.Is(err, db.ErrEnrolCode) && !errors.Is(err, db.ErrConflict):
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if done.Load() != 1 || w.entries(t, "worker.enrolled") != 1 {
		t.Errorf("one code enrolled %d workers, %d entries", done.Load(), w.entries(t, "worker.enrolled"))
	}
	var secrets int
	if err := w.Pool.QueryRow(ctx, `SELECT count(*) FROM enrol_code WHERE code_hash = 'third'::bytea`).Scan(&secrets); err != nil || secrets != 0 {
		t.Errorf("the code itself is kept: %d %v", secrets, err)
	}
	if _, err := w.MakeEnrolCode(ctx, w.Officer, db.NewEnrolCode{Kind: db.EnrolsWorker, Machine: uuid.New(), Hash: [32]byte{3}}); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a code for no machine: %v", err)
	}
}

// Another key is another audience of permits: the permit out falls, the old key never comes back, and
// a worker whose folder is new is heard from its first report on.
func TestI10_WorkerKeyChangedVoids(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	job := w.Submit(t, 1)
	run := job.Runs[0].ID
	w.signed(t, run)
	if _, err := w.Pool.Exec(ctx, `UPDATE machine SET applied = 40`); err != nil {
		t.Fatal(err)
	}
	old := w.Machine.WorkerKey
	_, public := newKey(t)
	m, err := w.EnrolWorker(ctx, w.code(t, db.EnrolsWorker, "x"), public, 0)
	if err != nil || m.WorkerKey != public {
		t.Fatalf("%v %v", m.WorkerKey, err)
	}
	if r := w.phase(t, run, queue.Checking); r.Ready {
		t.Error("the new worker is said to have the run prepared")
	}
	if st, err := w.MachineState(ctx, m.ID, broker.StateAsk{}); err != nil || st.Applied != 0 {
		t.Errorf("applied %d, %v", st.Applied, err)
	}
	keys, err := w.WorkerKeys(ctx)
	if err != nil || keys[m.ID] != public {
		t.Errorf("keys %v, %v", keys, err)
	}
	var refused *db.Refused
	if _, err := w.EnrolWorker(ctx, w.code(t, db.EnrolsWorker, "y"), old, 0); !errors.As(err, &refused) {
		t.Errorf("an old key came back: %v", err)
	}
	if err := w.RevokeWorker(ctx, w.Officer, m.ID); err != nil {
		t.Fatal(err)
	}
	if keys, err := w.WorkerKeys(ctx); err != nil || len(keys) != 0 {
		t.Errorf("after it was taken away: %v, %v", keys, err)
	}
	if err := w.RevokeWorker(ctx, w.Officer, m.ID); !errors.As(err, &refused) {
		t.Errorf("taken away twice: %v", err)
	}
	if _, err := w.EnrolWorker(ctx, w.code(t, db.EnrolsWorker, "z"), public, 0); !errors.As(err, &refused) {
		t.Errorf("a revoked key came back: %v", err)
	}
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}

// Only the key in use names the next one.
func TestWorkerKeyIsReplacedByItsOwnWord(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	other, _ := newKey(t)
	_, after := newKey(t)
	sign := func(pair nkeys.KeyPair, after string) []byte {
		s, err := broker.SignNewKey(pair, w.Machine.ID, after)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	var refused *db.Refused
	if err := w.ReplaceWorkerKey(ctx, w.Machine.ID, w.Machine.WorkerKey, after, sign(other, after)); !errors.As(err, &refused) {
		t.Errorf("signed by a stranger: %v", err)
	}
	good := sign(w.WorkerKey, after)
	if err := w.ReplaceWorkerKey(ctx, uuid.New(), w.Machine.WorkerKey, after, good); !errors.As(err, &refused) {
		t.Errorf("for another machine: %v", err)
	}
	if err := w.ReplaceWorkerKey(ctx, w.Machine.ID, w.Machine.WorkerKey, after, good); err != nil {
		t.Fatal(err)
	}
	if err := w.ReplaceWorkerKey(ctx, w.Machine.ID, w.Machine.WorkerKey, after, good); err != nil {
		t.Errorf("the same words again, whose answer was lost: %v", err)
	}
	_, third := newKey(t)
	if err := w.ReplaceWorkerKey(ctx, w.Machine.ID, w.Machine.WorkerKey, third, sign(w.WorkerKey, third)); !errors.As(err, &refused) {
		t.Errorf("the old key names another: %v", err)
	}
	keys, err := w.WorkerKeys(ctx)
	if err != nil || keys[w.Machine.ID] != after || w.entries(t, "worker.key_replaced") != 1 {
		t.Errorf("keys %v, %v", keys, err)
	}
}
