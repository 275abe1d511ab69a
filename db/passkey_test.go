package db_test

import (
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"kerfgate/db"
	"kerfgate/db/dbtest"
)

// TestS13_ChallengesOnce: a challenge is answered once, by whoever it was given to, within minutes; of many
// who answer it at the same time one is heard.
func TestS13_ChallengesOnce(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	session, err := w.OpenSession(ctx, w.Member.Person, db.SessionBrowser, make([]byte, 32), time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	one, two, old := [32]byte{1}, [32]byte{2}, [32]byte{3}
	for hash, of := range map[[32]byte]uuid.UUID{one: {}, two: session.ID} {
		if err := w.KeepChallenge(ctx, hash, of, []byte(`{"challenge":"x"}`)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Pool.Exec(ctx, `INSERT INTO passkey_challenge (challenge_hash, ceremony, expires_at) VALUES ($1, '{}', now() - interval '1 second')`, old[:]); err != nil {
		t.Fatal(err)
	}
	for what, try := range map[string]struct {
		hash [32]byte
		of   uuid.UUID
	}{"never given": {hash: [32]byte{9}}, "another's": {one, session.ID}, "nobody's": {hash: two}, "too old": {hash: old}} {
		if _, err := w.TakeChallenge(ctx, try.hash, try.of); !errors.Is(err, db.ErrNotFound) {
			t.Errorf("%s: %v", what, err)
		}
	}
	var taken [8]error
	var all sync.WaitGroup
	for i := range taken {
		all.Go(func() { _, taken[i] = w.TakeChallenge(ctx, one, uuid.Nil) })
	}
	all.Wait()
	heard := 0
	for _, err := range taken {
		if err == nil {
			heard++
		} else if !errors.Is(err, db.ErrNotFound) {
			t.Error(err)
		}
	}
	if heard != 1 {
		t.Errorf("%d of 8 answers were heard", heard)
	}
	if data, err := w.TakeChallenge(ctx, two, session.ID); err != nil || string(data) != `{"challenge": "x"}` {
		t.Errorf("%s, %v", data, err)
	}
	// The next one given sweeps what is over.
	if err := w.KeepChallenge(ctx, [32]byte{4}, uuid.Nil, []byte(`{}`)); err != nil {
		t.Fatal(err)
	}
	var left int
	if err := w.Pool.QueryRow(ctx, `SELECT count(*) FROM passkey_challenge`).Scan(&left); err != nil || left != 1 {
		t.Errorf("%d challenges are left, %v", left, err)
	}
}

// TestPasskeyCount: the count of an authenticator's signatures only grows (WebAuthn Level 3, 7.2 step 22); a
// passkey that counts back is refused with an entry, however many come at once, and 0 twice does not count.
func TestPasskeyCount(t *testing.T) {
	t.Parallel()
	w := dbtest.NewWorkshop(t)
	ctx := t.Context()
	k, err := w.AddPasskey(ctx, w.Member, db.Passkey{Name: "phone", Credential: []byte("one"), PublicKey: []byte("key"), SignCount: 3})
	if err != nil {
		t.Fatal(err)
	}
	still, err := w.AddPasskey(ctx, w.Member, db.Passkey{Name: "laptop", Credential: []byte("two"), PublicKey: []byte("key")})
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.AddPasskey(ctx, w.Officer, db.Passkey{Name: "phone", Credential: []byte("one"), PublicKey: []byte("key")})
	refused(t, err, "on an account already")
	_, err = w.AddPasskey(ctx, w.Member, db.Passkey{Name: " ", Credential: []byte("three"), PublicKey: []byte("key")})
	refused(t, err, "name")
	token := byte(0)
	use := func(k db.Passkey, count uint32) error {
		token++
		hash := make([]byte, 32)
		hash[0] = token
		se, err := w.UsePasskey(ctx, k, count, db.Station{}, hash, time.Hour)
		if err == nil && (se.Person != w.Member.Person || se.Kind != db.SessionBrowser || se.ExpiresAt.IsZero()) {
			t.Errorf("session %+v", se)
		}
		return err
	}
	for _, step := range []struct {
		count uint32
		err   error
	}{{3, db.ErrPasskeyCopied}, {0, db.ErrPasskeyCopied}, {4, nil}, {4, db.ErrPasskeyCopied}, {9, nil}} {
		if err := use(k, step.count); !errors.Is(err, step.err) {
			t.Errorf("count %d: %v, want %v", step.count, err, step.err)
		}
	}
	if err := errors.Join(use(still, 0), use(still, 0)); err != nil {
		t.Error(err)
	}
	list, err := w.LogEntries(ctx, db.LogFilter{Before: -1, Limit: 10, Kind: "passkey.refused"})
	if err != nil || len(list) != 3 {
		t.Errorf("%d entries, %v", len(list), err)
	}
	all, err := w.Passkeys(ctx, w.Member.Person)
	if err != nil || len(all) != 2 || all[0].SignCount != 9 || all[0].UsedAt == nil || all[1].Name != "laptop" {
		t.Errorf("%+v, %v", all, err)
	}

	// Somebody else's is not there; the last way to sign in stays.
	if err := w.RemovePasskey(ctx, w.Officer, k.ID); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("removed by somebody else: %v", err)
	}
	if err := w.RemovePasskey(ctx, w.Member, k.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Pool.Exec(ctx, `UPDATE person SET password_hash = '' WHERE id = $1`, w.Member.Person); err != nil {
		t.Fatal(err)
	}
	refused(t, w.RemovePasskey(ctx, w.Member, still.ID), "last way to sign in")

	// A closed account's passkey signs nobody in.
	if _, err := w.ChangePerson(ctx, w.Admin, w.Member.Person, 0, db.PersonChange{Name: "Member", Role: db.RoleMember, Disabled: true}); err != nil {
		t.Fatal(err)
	}
	if _, _, err := w.PasskeyByCredential(ctx, []byte("two")); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a closed account's: %v", err)
	}
	if err := use(still, 0); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a closed account signs in: %v", err)
	}
}
