package db_test

import (
	"testing"

	"kerfgate/db"
)

// Every refusal is counted by exactly one entry, at most one entry a minute.
func TestRefusalsAreCountedOnce(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	for range 5 {
		if err := w.NoteRefusal(t.Context(), w.Member, "POST /jobs"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Pool.Exec(t.Context(), `UPDATE refusal SET minute = minute - interval '1 minute'`); err != nil {
		t.Fatal(err)
	}
	if err := w.NoteRefusal(t.Context(), w.Member, "POST /jobs"); err != nil {
		t.Fatal(err)
	}
	list, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 10, Kind: "refused"})
	if err != nil || len(list) != 2 {
		t.Fatalf("%d entries, %v", len(list), err)
	}
	var total int64
	for _, e := range list {
		n, _ := e.Entry.Body.Int("count")
		total += n
	}
	if total != 6 {
		t.Errorf("the logbook counts %d refusals, want 6", total)
	}
}
