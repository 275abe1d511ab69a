package workerd

import (
	"testing"
	"time"

	"kerfgate/deploy/keyring"
)

// A listener's certificate is asked for anew when it is for another host, or 60 days before it ends.
func TestWhenAListenersCertificateHolds(t *testing.T) {
	t.Parallel()
	ca, err := keyring.OpenCA(t.TempDir(), "garden", nil)
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	pair, err := ca.Leaf([]string{"192.168.7.4"}, began)
	if err != nil {
		t.Fatal(err)
	}
	l := &listener{ready: make(chan struct{})}
	const day = 24 * time.Hour
	for _, look := range []struct {
		host  string
		after time.Duration
		want  bool
	}{
		{"192.168.7.4", 0, true}, {"192.168.7.4", 304 * day, true}, {"192.168.7.4", 306 * day, false}, {"192.168.7.4", 400 * day, false},
		{"192.168.7.5", 0, false}, {"bench.local", 0, false},
	} {
		l.now = func() time.Time { return began.Add(look.after) }
		if l.pair.Load() == nil && l.holds(look.host) {
			t.Error("none holds")
		}
		l.use(pair)
		if got := l.holds(look.host); got != look.want {
			t.Errorf("%s after %s: %v", look.host, look.after, got)
		}
	}
}
