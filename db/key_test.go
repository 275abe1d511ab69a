package db_test

import (
	"bytes"
	"crypto/rand"
	"errors"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

func noteKey(t *testing.T, name string) (note.Signer, string) {
	t.Helper()
	secret, public, err := note.GenerateKey(rand.Reader, name)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	return signer, public
}

// Both keys of the site are replaced. What the old ones signed stays good in the
// record; they sign nothing more; and the heads before and after are of one log.
func TestKeysReplaced(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	w.inspected(t, w.Submit(t, 1).Runs[0].ID) // a permit by the first key
	before, size, err := w.LogHead(ctx)
	if err != nil {
		t.Fatal(err)
	}
	waiting := w.Submit(t, 1).Runs[0].ID
	w.signed(t, waiting)

	permitSigner, permitPublic := noteKey(t, permit.KeyName(dbtest.Site))
	logSigner, logPublic := noteKey(t, logbook.LogKeyName(dbtest.Site))
	if n, err := w.ReplaceKey(ctx, w.Officer, db.LogKey, logPublic); err != nil || n != 1 {
		t.Fatalf("%d %v", n, err)
	}
	if _, _, err := w.LogHead(ctx); !errors.Is(err, db.ErrKeyReplaced) {
		t.Errorf("the old log key signed a head: %v", err)
	}
	if _, err := w.ReplaceKey(ctx, w.Officer, db.LogKey, logPublic); !errors.Is(err, db.ErrKeyReplaced) {
		t.Errorf("the old log key names another successor: %v", err)
	}
	again := w.holding(t, w.Config.PermitSigner, w.PermitKey, logSigner, logPublic)
	if n, err := again.ReplaceKey(ctx, w.Officer, db.PermitKey, permitPublic); err != nil || n != 1 {
		t.Fatalf("%d %v", n, err)
	}
	again.phase(t, waiting, queue.Checking) // its permit fell with the key
	w.AnswerAll(t, waiting)
	if _, err := again.SignOff(ctx, w.Operator, waiting, [32]byte{1, 2, 3}, [32]byte{7}); !errors.Is(err, db.ErrKeyReplaced) {
		t.Errorf("a permit by the old key: %v", err)
	}
	now := again.holding(t, permitSigner, permitPublic, logSigner, logPublic)
	if err := now.CheckKeys(ctx); err != nil {
		t.Fatal(err)
	}
	p, err := now.SignOff(ctx, w.Operator, waiting, [32]byte{1, 2, 3}, [32]byte{7})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := permit.OpenPermit(p.Note, w.PermitVerify); !errors.Is(err, permit.ErrSignature) {
		t.Errorf("the old key verifies the new permit: %v", err)
	}

	// What workers and stations follow.
	st, err := now.MachineState(ctx, w.Machine.ID, broker.StateAsk{HeadFrom: size})
	if err != nil || len(st.Successors) != 2 {
		t.Fatalf("%d statements, %v", len(st.Successors), err)
	}
	for i, old := range []note.Verifiers{w.LogVerify, w.PermitVerify} { // logbook before permit
		if s, err := permit.OpenSuccessor(st.Successors[i], old); err != nil || s.Public != []string{logPublic, permitPublic}[i] {
			t.Errorf("%d: %+v %v", i, s, err)
		}
	}
	older, err := logbook.OpenHead(before, w.LogVerify)
	if err != nil {
		t.Fatal(err)
	}
	newKeys := verifiers(t, logPublic)
	h, err := now.ProveHead(ctx, size)
	if err != nil {
		t.Fatal(err)
	}
	newer, err := logbook.OpenHead(h.Head, newKeys)
	if err != nil {
		t.Fatal(err)
	}
	if err := logbook.CheckConsistency(h.Proof, older, newer); err != nil {
		t.Errorf("the heads before and after are not of one log: %v", err)
	}
	if _, err := logbook.OpenHead(h.Head, w.LogVerify); !errors.Is(err, logbook.ErrSignature) {
		t.Errorf("the old key verifies the new head: %v", err)
	}

	// The record, offline: with every key it is good, without the old permit key it is not.
	if _, err := now.CheckLog(ctx); err != nil {
		t.Error(err)
	}
	var export bytes.Buffer
	if err := now.ExportLog(ctx, &export); err != nil {
		t.Fatal(err)
	}
	if _, err := logbook.Check(bytes.NewReader(export.Bytes()), logbook.Options{Verifiers: verifiers(t, logPublic, w.LogKey, permitPublic, w.PermitKey), EarlierHead: before}); err != nil {
		t.Errorf("offline, with every key: %v", err)
	}
	report, err := logbook.Check(bytes.NewReader(export.Bytes()), logbook.Options{Verifiers: verifiers(t, w.LogKey, w.PermitKey), EarlierHead: h.Head})
	if err != nil || report.Followed != 2 {
		t.Errorf("offline, with the first keys and a head of the last: %+v, %v", report, err)
	}
	var finding *logbook.CheckError
	if _, err := logbook.Check(bytes.NewReader(export.Bytes()), logbook.Options{Verifiers: verifiers(t, logPublic, w.LogKey, permitPublic)}); !errors.As(err, &finding) || finding.Status != logbook.StatusSignature {
		t.Errorf("offline, without the key of the first permit: %v", err)
	}
	if now.entries(t, "key.replaced") != 2 {
		t.Error("not an entry each")
	}
}

// holding is the same database under a store that holds other keys, as a server started again does.
func (w *worker) holding(t *testing.T, permitSigner note.Signer, permitPublic string, logSigner note.Signer, logPublic string) *worker {
	t.Helper()
	shop := *w.Workshop
	env := *w.Env
	env.Config.PermitSigner, env.Config.PermitVerifier, env.Config.LogSigner, env.Config.LogVerifier = permitSigner, permitPublic, logSigner, logPublic
	var err error
	if env.Store, err = db.New(env.Config); err != nil {
		t.Fatal(err)
	}
	shop.Env = &env
	return &worker{Workshop: &shop, n: w.n}
}

func verifiers(t *testing.T, keys ...string) note.Verifiers {
	t.Helper()
	var list []note.Verifier
	for _, key := range keys {
		v, err := note.NewVerifier(key)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, v)
	}
	return note.VerifierList(list...)
}
