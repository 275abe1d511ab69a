package db_test

import (
	"strings"
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

// A plan that nobody submitted goes after 30 days, bytes and all; what a job was made of stays.
func TestForgetPlans(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 1)
	count := func(table string) (n int) {
		t.Helper()
		if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM `+table).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	forget := func(want int) {
		t.Helper()
		if n, err := w.ForgetPlans(t.Context()); err != nil || n != want {
			t.Fatalf("forgot %d plans, want %d; %v", n, want, err)
		}
	}
	if _, err := w.Pool.Exec(t.Context(), `INSERT INTO blob (digest, size) VALUES ('\x`+strings.Repeat("ab", 32)+`', 3)`); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Pool.Exec(t.Context(), `INSERT INTO blob_chunk (digest, n, data) SELECT digest, 0, 'abc' FROM blob WHERE size = 3`); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Pool.Exec(t.Context(), `INSERT INTO plan (digest, member, drawing, machine, tool, material, stock, choice, profile, total_ms)
			SELECT b.digest, member, drawing, machine, tool, material, stock, choice, profile, total_ms FROM plan p, blob b WHERE b.size = 3`); err != nil {
		t.Fatal(err)
	}
	blobs := count("blob")
	forget(0)
	if _, err := w.Pool.Exec(t.Context(), `UPDATE plan SET made_at = now() - interval '31 days'`); err != nil {
		t.Fatal(err)
	}
	forget(1)
	forget(0)
	if count("plan") != 1 || count("blob") != blobs-1 || count("blob_chunk WHERE data = 'abc'") != 0 {
		t.Errorf("left: %d plans, %d of %d blobs", count("plan"), count("blob"), blobs)
	}
	w.finish(t, job.Runs[0].ID)
}
