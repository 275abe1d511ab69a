package db_test

import (
	"crypto/sha256"
	"errors"
	"sync"
	"testing"
	"time"

	"kerfgate/db"
	"kerfgate/db/dbtest"
)

// TestS3_SessionsEnd: a session that nobody uses ends by itself after twelve hours; one that is used ends when
// it was to end. The database's clock counts, so what it reads is moved back. The ten minutes at a station
// stand with the stations.
func TestS3_SessionsEnd(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	live := func(hash []byte) bool {
		t.Helper()
		_, _, err := w.SessionByToken(t.Context(), hash)
		if err != nil && !errors.Is(err, db.ErrNotFound) {
			t.Fatal(err)
		}
		return err == nil
	}
	const idle = 12 * time.Hour
	for _, kind := range []db.SessionKind{db.SessionBrowser, db.SessionScript} {
		hash := sha256.Sum256([]byte("idle " + kind))
		se, err := w.OpenSession(t.Context(), w.Member.Person, kind, hash[:], 30*24*time.Hour)
		if err != nil {
			t.Fatal(err)
		}
		unused := func(d time.Duration) {
			t.Helper()
			if _, err := w.Pool.Exec(t.Context(), `UPDATE session SET used_at = now() - $2::interval WHERE id = $1`, se.ID, d); err != nil {
				t.Fatal(err)
			}
		}
		unused(idle - time.Minute)
		if !live(hash[:]) {
			t.Errorf("%s: ended before its idle limit", kind)
		}
		unused(idle + time.Second)
		if live(hash[:]) {
			t.Errorf("%s: lives after %v without use", kind, idle)
		}
		unused(0)
		if _, err := w.Pool.Exec(t.Context(), `UPDATE session SET expires_at = now() - interval '1 second' WHERE id = $1`, se.ID); err != nil {
			t.Fatal(err)
		}
		if live(hash[:]) {
			t.Errorf("%s: lives after its end", kind)
		}
	}
}

// TestS32_TenThousandRefusals: a caller who is refused ten thousand times adds an entry a minute to the
// logbook, and the count of those tells all of them.
func TestS32_TenThousandRefusals(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	began := time.Now()
	const callers, each = 8, 1250
	var group sync.WaitGroup
	for range callers {
		group.Go(func() {
			for range each {
				if err := w.NoteRefusal(t.Context(), w.Member, "POST /jobs"); err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	minutes := int(time.Since(began)/time.Minute) + 2
	list, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 100, Kind: "refused"})
	if err != nil || len(list) == 0 || len(list) > minutes {
		t.Errorf("%d entries within %d minutes, %v", len(list), minutes, err)
	}
	var rows, counted int
	if err := w.Pool.QueryRow(t.Context(), `SELECT count(*), sum(count) FROM refusal`).Scan(&rows, &counted); err != nil {
		t.Fatal(err)
	}
	if counted != callers*each || rows > minutes {
		t.Errorf("%d refusals are counted in %d rows, want %d", counted, rows, callers*each)
	}
}

// TestS32_RefusalsAreCountedOnce: every refusal is counted by exactly one entry, at most one entry a minute.
func TestS32_RefusalsAreCountedOnce(t *testing.T) {
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
