package db_test

import (
	"sync"
	"testing"
)

// A checklist that is touched while the sweep is at another one stays open.
func TestSweepLeavesWhatWasTouched(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 2)
	for _, r := range job.Runs {
		if _, err := w.OpenChecklist(t.Context(), w.Operator, r.ID); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Pool.Exec(t.Context(), `UPDATE run SET opened_at = now() - interval '11 minutes'`); err != nil {
		t.Fatal(err)
	}
	var once sync.Once
	w.SetCommitHook(func(int64) {
		once.Do(func() {
			// The first was released just now; whichever is left is answered.
			if _, err := w.Pool.Exec(t.Context(), `UPDATE run SET opened_at = now() WHERE phase = 'checking'`); err != nil {
				t.Error(err)
			}
		})
	})
	if n, err := w.ExpireChecklists(t.Context()); err != nil || n != 1 {
		t.Errorf("released %d (%v), want the one that nobody touched", n, err)
	}
}
