package api

import (
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"
)

// TestS13_Limiter: five wrong tries close an account for 15 minutes, whoever tries.
func TestS13_Limiter(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 5, 4, 9, 0, 0, 0, time.UTC)
	l := newLimiter(func() time.Time { return now })
	for i := range accountTries {
		if _, err := l.begin("fern", fmt.Sprint("192.0.2.", i)); err != nil {
			t.Fatalf("try %d: %v", i+1, err)
		}
	}
	var limited *limitedError
	if _, err := l.begin("fern", "192.0.2.77"); !errors.As(err, &limited) || limited.wait != closedFor {
		t.Errorf("sixth try: %v", err)
	}
	if _, err := l.begin("moss", "192.0.2.77"); err != nil {
		t.Errorf("another account: %v", err)
	}
	now = now.Add(closedFor - time.Second)
	if _, err := l.begin("fern", "192.0.2.77"); err == nil {
		t.Error("open a second too early")
	}
	now = now.Add(time.Second)
	succeeded, err := l.begin("fern", "192.0.2.77")
	if err != nil {
		t.Fatalf("after 15 minutes: %v", err)
	}
	succeeded()
	for i := range accountTries {
		if _, err := l.begin("fern", "192.0.2.78"); err != nil {
			t.Errorf("try %d after success: %v", i+1, err)
		}
	}
}

func TestS13_LimiterByAddress(t *testing.T) {
	t.Parallel()
	l := newLimiter(time.Now)
	for i := range addressTries {
		if _, err := l.begin(fmt.Sprint("name ", i), "192.0.2.1"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := l.begin("fern", "192.0.2.1"); err == nil {
		t.Error("an address has no end of tries")
	}
}

// TestS13_LimiterAtOnce: tries at the same moment gain nothing.
func TestS13_LimiterAtOnce(t *testing.T) {
	t.Parallel()
	l := newLimiter(time.Now)
	var through int
	var mu sync.Mutex
	var all sync.WaitGroup
	for i := range 64 {
		all.Go(func() {
			if _, err := l.begin("fern", fmt.Sprint(i)); err == nil {
				mu.Lock()
				defer mu.Unlock()
				through++
			}
		})
	}
	all.Wait()
	if through != accountTries {
		t.Errorf("%d of 64 tries went through, want %d", through, accountTries)
	}
}

// TestLimiterMemory: names without end neither fill the memory nor open what is closed.
func TestLimiterMemory(t *testing.T) {
	t.Parallel()
	l := newLimiter(time.Now)
	for range accountTries {
		if _, err := l.begin("fern", "192.0.2.1"); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 2 * maxTried {
		_, _ = l.begin(fmt.Sprint("name ", i), fmt.Sprint("address ", i))
	}
	if len(l.tried) > maxTried+2 {
		t.Errorf("%d names are kept", len(l.tried))
	}
	if _, err := l.begin("fern", "192.0.2.2"); err == nil {
		t.Error("the account was forgotten and is open again")
	}
}
