package db_test

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"

	"kerfgate/db"
)

// A register with a rev, as a job has one: each change reads it, and writes only if it still is what was
// read. 16 callers at once, through the batching writer.
//
// Checked against the definition of linearizability (Herlihy and Wing, 1990): there is an order of the
// changes in which each reads what the one before it wrote, and that respects which was over before
// another began. The revs give the only order that can be; the check is that it is one, gapless, the
// same as the logbook's, and that no change is in front of one that was answered before it was asked.
func TestWriterLinearizable(t *testing.T) {
	t.Parallel()
	y := newTally(t)
	type change struct {
		read, index int64
		asked, told int64 // on one clock that only counts
	}
	var mu sync.Mutex
	var clock int64
	var made []change
	tick := func() int64 {
		mu.Lock()
		defer mu.Unlock()
		clock++
		return clock
	}
	_, errs := y.together(16, func(i int) (int64, error) {
		for range 25 {
			c := change{asked: tick()}
			index, err := y.Change(t.Context(), tallyKind, func(ctx context.Context) ([]db.Step, error) {
				if err := y.Pool.QueryRow(ctx, `SELECT n FROM tally WHERE id = 0`).Scan(&c.read); err != nil {
					return nil, err
				}
				return append(count(i+1), db.Step{SQL: `UPDATE tally SET n = n + 1 WHERE id = 0 AND n = $1`, Args: []any{c.read}, Rows: 1}), nil
			})
			c.told, c.index = tick(), index
			switch {
			case err == nil:
				mu.Lock()
				made = append(made, c)
				mu.Unlock()
			case !errors.Is(err, db.ErrConflict):
				return 0, err
			}
		}
		return 0, nil
	})
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(made, func(a, b change) int { return int(a.read - b.read) })
	var latestAsked int64
	for i, c := range made {
		if c.read != int64(i) {
			t.Fatalf("change %d in the order of revs read %d", i, c.read)
		}
		if i > 0 && c.index <= made[i-1].index {
			t.Errorf("rev %d has entry %d, the one before it %d", i, c.index, made[i-1].index)
		}
		if c.told < latestAsked {
			t.Errorf("change %d was over before one in front of it was asked for", i)
		}
		latestAsked = max(latestAsked, c.asked)
	}
	var traces int64
	if err := y.Pool.QueryRow(t.Context(), `SELECT count(*) FROM trace`).Scan(&traces); err != nil || traces != int64(len(made)) {
		t.Errorf("%d traces of %d changes (%v)", traces, len(made), err)
	}
	if n, _ := y.value(0); n != int64(len(made)) || n < 25 {
		t.Errorf("the register stands at %d after %d changes", n, len(made))
	}
}
