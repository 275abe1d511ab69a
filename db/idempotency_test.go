package db_test

import (
	"crypto/sha256"
	"errors"
	"testing"

	"kerfgate/db"
)

// Keys older than a day go; one whose request was cut off says so instead of asking to wait for ever.
func TestIdempotencyKeysEnd(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	body := sha256.Sum256([]byte("body"))
	begin := func() error {
		_, err := w.IdempotentBegin(t.Context(), w.Member.Person, "POST /jobs", "key-1", body)
		return err
	}
	age := func(interval string) {
		t.Helper()
		if _, err := w.Pool.Exec(t.Context(), `UPDATE idempotency SET at = now() - $1::interval`, interval); err != nil {
			t.Fatal(err)
		}
	}
	if err := begin(); err != nil {
		t.Fatal(err)
	}
	if err := begin(); !errors.Is(err, db.ErrConflict) {
		t.Errorf("under way: %v", err)
	}
	age("6 minutes")
	var refused *db.Refused
	if err := begin(); !errors.As(err, &refused) || refused.Reasons[0].Next == "" {
		t.Errorf("cut off: %v", err)
	}
	if n, err := w.ForgetKeys(t.Context()); err != nil || n != 0 {
		t.Errorf("forgot %d, %v", n, err)
	}
	age("25 hours")
	if n, err := w.ForgetKeys(t.Context()); err != nil || n != 1 {
		t.Errorf("forgot %d, %v", n, err)
	}
	if err := begin(); err != nil {
		t.Errorf("a day later: %v", err)
	}
}
