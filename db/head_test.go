package db_test

import (
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"kerfgate/db/logbook"
	"kerfgate/queue/broker"
)

// A head is kept where the log grew and the newest is 15 minutes old, and at once after a lockout.
func TestHeadsAreKept(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	keep := func(want int) {
		t.Helper()
		if n, err := w.KeepHead(t.Context()); err != nil || n != want {
			t.Fatalf("kept %d heads, want %d; %v", n, want, err)
		}
	}
	keep(1)
	keep(0)
	w.Submit(t, 1)
	keep(0)
	if _, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "belt slipped"); err != nil {
		t.Fatal(err)
	}
	keep(1)
	keep(0)
	if err := w.LiftLockout(t.Context(), w.Officer, w.Machine.ID, "belt replaced"); err != nil {
		t.Fatal(err)
	}
	keep(0)
	if _, err := w.Pool.Exec(t.Context(), `INSERT INTO log_signed_head (size, note, at) SELECT size, 'old', now() - interval '16 minutes' FROM log_head`); err != nil {
		t.Fatal(err)
	}
	keep(0)
	w.Submit(t, 1)
	keep(1)
}

// A worker that keeps a head is given the proof that the log follows from it, and none where the log
// is shorter than it was.
func TestStateProvesTheHead(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	_, from, err := w.LogHead(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	older := headOf(t, w, from)
	w.Submit(t, 3)
	if _, _, err := w.LogHead(t.Context()); err != nil {
		t.Fatal(err)
	}
	st, err := w.MachineState(t.Context(), w.Machine.ID, broker.StateAsk{HeadFrom: from})
	if err != nil || st.HeadFrom != from {
		t.Fatal(err)
	}
	newer, err := logbook.OpenHead(st.Head, w.LogVerify)
	if err != nil || newer.Size <= from {
		t.Fatalf("%+v, %v", newer, err)
	}
	var proof []tlog.Hash
	for _, h := range st.HeadProof {
		proof = append(proof, h)
	}
	if err := logbook.CheckConsistency(proof, older, newer); err != nil || len(proof) == 0 {
		t.Error(err)
	}
	st, err = w.MachineState(t.Context(), w.Machine.ID, broker.StateAsk{HeadFrom: newer.Size + 50})
	if err != nil || len(st.HeadProof) != 0 {
		t.Errorf("a shorter log was proven: %v, %v", st.HeadProof, err)
	}
}

func headOf(t *testing.T, w *worker, size int64) logbook.Head {
	t.Helper()
	var text string
	if err := w.Pool.QueryRow(t.Context(), `SELECT note FROM log_signed_head WHERE size = $1`, size).Scan(&text); err != nil {
		t.Fatal(err)
	}
	h, err := logbook.OpenHead([]byte(text), w.LogVerify)
	if err != nil {
		t.Fatal(err)
	}
	return h
}
