package logbook

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

// nextKey is a key that follows, and the statement by which the one before says so.
type nextKey struct {
	signer note.Signer
	public string
	note   string
}

func follows(t testing.TB, old note.Signer, seed string) nextKey {
	t.Helper()
	digest := sha256.Sum256([]byte(seed))
	secret, public, err := note.GenerateKey(strings.NewReader(string(digest[:])), old.Name())
	if err != nil {
		t.Fatal(err)
	}
	k := nextKey{public: public}
	if k.signer, err = note.NewSigner(secret); err != nil {
		t.Fatal(err)
	}
	signed, err := note.Sign(&note.Note{Text: fmt.Sprintf("%s\nnumber 1\npublic %s\n", successorLine, public)}, old)
	if err != nil {
		t.Fatal(err)
	}
	k.note = string(signed)
	return k
}

func (l *testLog) replaced(before string, k nextKey) {
	l.append(Entry{Time: testTime, Kind: KeyReplaced, Actor: testID(9),
		Body: Body{"key": "any", "number": 1, "before": before, "after": k.public, FieldNote: k.note}})
}

// TestCheck_FollowsKeys: the first keys of a site are enough; what a later key signed counts from the
// entry on that tells it, and no sooner.
func TestCheck_FollowsKeys(t *testing.T) {
	t.Parallel()
	tell := func(t *testing.T, spoil func(l *testLog, permit *nextKey)) (*testLog, Options) {
		l := newTestLog(t)
		first := *l.keys
		l.walk(testID(1), testID(100), toClosed...)
		l.head()
		permit, second := follows(t, first.permit, "permit 2"), follows(t, first.log, "log 2")
		if spoil != nil {
			spoil(l, &permit)
		}
		l.replaced(first.vkeys[1], permit)
		l.replaced(first.vkeys[0], second)
		third := follows(t, second.signer, "log 3")
		l.replaced(second.public, third)
		l.keys = &testKeys{log: third.signer, permit: permit.signer, vkeys: first.vkeys}
		l.walk(testID(2), testID(100), toClosed...)
		l.head()
		return l, Options{Verifiers: first.verifiers}
	}
	l, opts := tell(t, nil)
	report, bad := l.check(opts)
	if bad != nil || report.Followed != 3 || report.Permits != 2 || report.Heads != 2 {
		t.Fatalf("%+v, %v", report, bad)
	}
	opts.EarlierHead = l.heads[1].signed // by a key that only the log tells
	if report, bad := l.check(opts); bad != nil || report.EarlierSize != l.tree.Size || report.Covered != l.tree.Size {
		t.Errorf("head under the third key: %+v, %v", report, bad)
	}
	short := copyLog(l)
	short.drop(len(short.entries) - 1)
	short.heads = short.heads[:1]
	if _, bad := short.check(opts); bad == nil || bad.Status != StatusBroken || bad.Index != l.tree.Size-1 {
		t.Errorf("last entry removed, head under the third key: %v", bad)
	}
	opts.EarlierHead = signRoot(l, 5, l.tree.Root())
	if _, bad := l.check(opts); bad == nil || bad.Status != StatusBroken || bad.Index != 0 {
		t.Errorf("head of another root under the third key: %v", bad)
	}
	opts.EarlierHead = foreignHead(l, 5)
	if _, bad := l.check(opts); bad == nil || bad.Status != StatusSignature || bad.Index != 5 {
		t.Errorf("head of another log: %v", bad)
	}

	forger := newTestKeys(t, "felt.example")
	for name, c := range map[string]struct {
		spoil func(*testLog, *nextKey)
		index int64
	}{
		"statement signed by another": {func(l *testLog, k *nextKey) {
			k.note = strings.Replace(follows(l.t, forger.permit, "x").note, "felt.example", testSite, 1)
		}, 8},
		"statement about another key": {func(l *testLog, k *nextKey) { k.public = follows(l.t, l.keys.permit, "other").public }, 8},
		"permit before its key is told": {func(l *testLog, k *nextKey) {
			was := l.keys
			l.keys = &testKeys{permit: k.signer}
			l.walk(testID(3), testID(101), toSigned...)
			l.keys = was
		}, 10},
	} {
		l, opts := tell(t, c.spoil)
		if _, bad := l.check(opts); bad == nil || bad.Status != StatusSignature || bad.Index != c.index {
			t.Errorf("%s: %v, want a signature at %d", name, bad, c.index)
		}
	}

	// Nothing follows from the statement of a key that nobody trusts.
	l = newTestLog(t)
	stranger := follows(t, l.keys.permit, "stranger")
	after := follows(t, stranger.signer, "after")
	l.replaced(stranger.public, after)
	first := l.keys
	l.keys = &testKeys{log: first.log, permit: after.signer, vkeys: first.vkeys}
	l.walk(testID(1), testID(100), toSigned...)
	if report, bad := l.check(Options{Verifiers: first.verifiers}); bad == nil || bad.Status != StatusSignature || bad.Index != 3 || report.Followed != 0 {
		t.Errorf("after a key that nobody trusts: %+v, %v", report, bad)
	}
}
