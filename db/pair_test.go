package db_test

import (
	"crypto/sha256"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/queue"
)

func (w *worker) pair(t *testing.T, label string) db.Pair {
	t.Helper()
	p, err := w.AddPair(t.Context(), w.Officer, checklist.Pair{Label: label, Marking: "10600 D LB6"})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// signedWith signs a run off with a pair of the register.
func (w *worker) signedWith(t *testing.T, run uuid.UUID, label string) db.Permit {
	t.Helper()
	w.answeredWith(t, run, label)
	p, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1, 2, 3}, sha256.Sum256([]byte("token")))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// answeredWith answers everything of a run, the eyewear by a label of the register.
func (w *worker) answeredWith(t *testing.T, run uuid.UUID, label string) {
	t.Helper()
	w.atTheGate(t, run)
	for _, a := range dbtest.GoodAnswers(time.Now()) {
		if a.Item == checklist.ItemEyewear {
			a.Values = checklist.Values{"pair": label, "on": "yes"}
		}
		if _, err := w.Answer(t.Context(), w.Operator, run, a.Item, a.Values); err != nil {
			t.Fatal(err)
		}
	}
}

func TestPairRegister(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.pair(t, "pair 1")
	if p.Damaged || p.LookedBy != w.Officer.Person || time.Since(p.LookedAt) > time.Minute {
		t.Errorf("added as %+v, want whole, looked at now by the officer", p)
	}
	for name, bad := range map[string]checklist.Pair{
		"label taken":       {Label: "Pair 1", Marking: "10600 D LB6"},
		"no label":          {Marking: "10600 D LB6"},
		"marking not known": {Label: "pair 2", Marking: "dark"},
	} {
		var no *db.Refused
		if _, err := w.AddPair(t.Context(), w.Officer, bad); !errors.As(err, &no) {
			t.Errorf("%s: %v, want it refused", name, err)
		}
	}
	if p, err := w.LookAtPair(t.Context(), w.Operator, p.ID, 0, true); err != nil || !p.Damaged || p.LookedName == "" {
		t.Errorf("after the look: %+v, %v", p, err)
	}
	if _, err := w.LookAtPair(t.Context(), w.Operator, p.ID, p.Rev, false); !errors.Is(err, db.ErrConflict) {
		t.Errorf("looked at with the rev from before the last look: %v, want a conflict", err)
	}
	if err := w.RetirePair(t.Context(), w.Officer, p.ID, p.Rev+1); err != nil {
		t.Fatal(err)
	}
	if _, err := w.LookAtPair(t.Context(), w.Operator, p.ID, 0, false); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a retired pair was looked at: %v", err)
	}
	w.pair(t, "pair 1") // its label is free again
	if list, err := w.Pairs(t.Context()); err != nil || len(list) != 1 {
		t.Errorf("%d pairs, %v, want the new one alone", len(list), err)
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// A pair that is found damaged, or leaves the register, voids what was signed with it and nothing
// else (I10).
func TestI10_PairVoids(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(w *worker, worn, other db.Pair) error{
		"damaged": func(w *worker, worn, _ db.Pair) error {
			_, err := w.LookAtPair(t.Context(), w.Operator, worn.ID, 0, true)
			return err
		},
		"retired": func(w *worker, worn, _ db.Pair) error { return w.RetirePair(t.Context(), w.Officer, worn.ID, 0) },
		"": func(w *worker, worn, other db.Pair) error {
			if _, err := w.LookAtPair(t.Context(), w.Operator, worn.ID, 0, false); err != nil {
				return err
			}
			return w.RetirePair(t.Context(), w.Officer, other.ID, 0)
		},
	} {
		w := newWorker(t)
		worn, other := w.pair(t, "pair 1"), w.pair(t, "pair 2")
		run := w.Submit(t, 1).Runs[0].ID
		w.signedWith(t, run, "PAIR 1")
		if err := change(w, worn, other); err != nil {
			t.Fatal(err)
		}
		want := queue.Checking
		if name == "" {
			want = queue.Permitted
		}
		w.phase(t, run, want)
	}
}

// A pair that is damaged at signing is refused whatever was judged before.
func TestI10_DamagedPairIsNotSigned(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	worn := w.pair(t, "pair 1")
	run := w.Submit(t, 1).Runs[0].ID
	w.answeredWith(t, run, "pair 1")
	// Behind the store's back, which voids nothing.
	if _, err := w.Pool.Exec(t.Context(), `UPDATE pair SET damaged = true WHERE id = $1`, worn.ID); err != nil {
		t.Fatal(err)
	}
	_, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1}, [32]byte{2})
	if err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("signed with a damaged pair: %v", err)
	}
}
