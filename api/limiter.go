package api

import (
	"sync"
	"time"
)

// How many wrong tries close sign-in, and for how long. A tablet is shared, so an address has more
// tries than an account.
const (
	accountTries = 5
	addressTries = 20
	closedFor    = 15 * time.Minute
	// maxTried bounds the limiter's memory; beyond it new names wait like closed ones.
	maxTried   = 20_000
	sweepEvery = 10 * time.Second
)

// limitedError is a sign-in that is closed for a while.
type limitedError struct {
	tries int
	wait  time.Duration
}

func (e *limitedError) Error() string { return "too many wrong tries" }

// limiter counts wrong tries by account and by address, in memory. A try counts as wrong from its
// beginning until it succeeds, so that many at once gain nothing.
type limiter struct {
	now func() time.Time

	mu    sync.Mutex
	tried map[triedKey]tries
	swept time.Time // when what is over was last forgotten
}

type triedKey struct {
	what string // "account", "address" and the like
	name string
}

type tries struct {
	wrong int
	until time.Time // when the count is forgotten
}

func newLimiter(now func() time.Time) *limiter {
	return &limiter{now: now, tried: map[triedKey]tries{}}
}

// begin counts a try and gives the function that takes it back after success. Its error is a
// limitedError while either is closed; such a try is not counted.
func (l *limiter) begin(account, address string) (succeeded func(), err error) {
	return l.count(limit{triedKey{"account", account}, accountTries}, limit{triedKey{"address", address}, addressTries})
}

// limit is how many wrong tries one key has.
type limit struct {
	key   triedKey
	tries int
}

// closed says whether a key has no tries left.
func (l *limiter) closed(k limit) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	t := l.tried[k.key]
	return l.now().Before(t.until) && t.wrong >= k.tries
}

// count counts a try against each key, the first being whoever tries; see begin.
func (l *limiter) count(keys ...limit) (succeeded func(), err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.now()
	for _, k := range keys {
		t := l.tried[k.key]
		if now.Before(t.until) && t.wrong >= k.tries {
			return nil, &limitedError{tries: k.tries, wait: t.until.Sub(now)}
		}
	}
	if len(l.tried) >= maxTried && now.Sub(l.swept) >= sweepEvery {
		l.sweep(now)
	}
	if len(l.tried) >= maxTried {
		return nil, &limitedError{tries: accountTries, wait: time.Minute}
	}
	for _, k := range keys {
		t := l.tried[k.key]
		if !now.Before(t.until) {
			t.wrong = 0
		}
		t.wrong++
		t.until = now.Add(closedFor)
		l.tried[k.key] = t
	}
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		delete(l.tried, keys[0].key)
		// Somebody else's wrong tries from the same address still count.
		for _, k := range keys[1:] {
			if t, ok := l.tried[k.key]; ok {
				t.wrong--
				l.tried[k.key] = t
			}
		}
	}, nil
}

// forget takes back every try counted against a key.
func (l *limiter) forget(key triedKey) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.tried, key)
}

// sweep forgets what is over; it looks at everything, so it is done rarely.
func (l *limiter) sweep(now time.Time) {
	l.swept = now
	for key, t := range l.tried {
		if !now.Before(t.until) {
			delete(l.tried, key)
		}
	}
}
