package db_test

import (
	"crypto/sha256"
	"errors"
	"testing"

	"github.com/google/uuid"

	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

func (w *worker) station(t *testing.T, secret string) (db.Station, [32]byte) {
	t.Helper()
	token := sha256.Sum256([]byte("token of " + secret))
	st, err := w.EnrolStation(t.Context(), w.code(t, db.EnrolsStation, secret), token)
	if err != nil {
		t.Fatal(err)
	}
	return st, token
}

// A station's credential and every session at it end together, at once; signing in ends whoever was
// signed in there, and ten idle minutes do.
func TestS2_StationRevokedEndsItsSessions(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	st, token := w.station(t, "a")
	if got, err := w.StationByToken(ctx, token[:]); err != nil || got.ID != st.ID || got.Machine != w.Machine.ID {
		t.Fatalf("%+v %v", got, err)
	}
	open := func(name string, who db.Actor) []byte {
		hash := sha256.Sum256([]byte(name))
		s, err := w.OpenStationSession(ctx, who.Person, st, hash[:])
		if err != nil || s.Station != st.ID {
			t.Fatalf("%+v %v", s, err)
		}
		return hash[:]
	}
	first := open("first", w.Operator)
	if s, p, err := w.SessionByToken(ctx, first); err != nil || s.Station != st.ID || s.Kind != db.SessionStation || p.ID != w.Operator.Person {
		t.Fatalf("%+v %+v %v", s, p, err)
	}
	second := open("second", w.Member)
	if _, _, err := w.SessionByToken(ctx, first); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("the first is still signed in beside the second: %v", err)
	}
	idle := func(minutes int) {
		if _, err := w.Pool.Exec(ctx, `UPDATE session SET used_at = now() - $1 * interval '1 minute' WHERE token_hash = $2`, minutes, second); err != nil {
			t.Fatal(err)
		}
	}
	idle(9)
	if _, _, err := w.SessionByToken(ctx, second); err != nil {
		t.Errorf("after nine idle minutes: %v", err)
	}
	idle(10) // asking for news just before did not count as use
	if _, _, err := w.SessionByToken(ctx, second); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("after ten idle minutes: %v", err)
	}
	idle(0)
	if err := w.RevokeStation(ctx, w.Officer, st.ID); err != nil {
		t.Fatal(err)
	}
	if _, _, err := w.SessionByToken(ctx, second); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("signed in at a revoked station: %v", err)
	}
	if _, err := w.StationByToken(ctx, token[:]); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a revoked credential: %v", err)
	}
	hash := sha256.Sum256([]byte("late"))
	if _, err := w.OpenStationSession(ctx, w.Operator.Person, st, hash[:]); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("signed in at a revoked station: %v", err)
	}
	if err := w.RevokeStation(ctx, w.Officer, st.ID); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("revoked twice: %v", err)
	}
	if w.entries(t, "station.enrolled") != 1 || w.entries(t, "station.revoked") != 1 {
		t.Error("not one entry each")
	}
}

// started brings a run to moving, with the hash of the attendance token that its permit carries.
func (w *worker) started(t *testing.T) db.Run {
	t.Helper()
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	if !w.taken(t, p).Granted {
		t.Fatal("no go")
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: p.Run.ID})
	return w.phase(t, p.Run.ID, queue.Running)
}

// Attendance goes from one operator to the next only from the station that confirms it now, and then
// it is the next one's to resume and to hand on.
func TestI9_HandOver(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	r := w.started(t)
	p, err := w.attendanceOf(t, r.ID)
	if err != nil {
		t.Fatal(err)
	}
	second, third := w.operator(t, "second"), w.operator(t, "third")
	var refused *db.Refused
	for name, try := range map[string]func() error{
		"without the token":       func() error { _, err := w.Handover(ctx, second, r.ID, [32]byte{4}, [32]byte{5}); return err },
		"with none":               func() error { _, err := w.Handover(ctx, second, r.ID, [32]byte{}, [32]byte{5}); return err },
		"to nobody's operator":    func() error { _, err := w.Handover(ctx, w.Member, r.ID, p, [32]byte{5}); return err },
		"to the one who attends":  func() error { _, err := w.Handover(ctx, w.Operator, r.ID, p, [32]byte{5}); return err },
		"to an officer untrained": func() error { _, err := w.Handover(ctx, w.Officer, r.ID, p, [32]byte{5}); return err },
	} {
		if err := try(); !errors.As(err, &refused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	next := sha256.Sum256([]byte("the second's token"))
	text, err := w.Handover(ctx, second, r.ID, p, next)
	if err != nil {
		t.Fatal(err)
	}
	h, err := permit.OpenHandover(text, w.PermitVerify)
	if err != nil || h.Number != 1 || h.Operator != second.Person || h.Attendance != next || h.Run != r.ID {
		t.Fatalf("%+v %v", h, err)
	}
	if st, err := w.MachineState(ctx, w.Machine.ID, broker.StateAsk{}); err != nil || string(st.Handover) != string(text) {
		t.Errorf("a worker that missed it hears %q, %v", st.Handover, err)
	}
	if _, err := w.Handover(ctx, third, r.ID, p, [32]byte{6}); !errors.As(err, &refused) {
		t.Errorf("with the token of before: %v", err)
	}
	if text, err = w.Handover(ctx, third, r.ID, next, [32]byte{6}); err != nil {
		t.Fatal(err)
	}
	if h, err := permit.OpenHandover(text, w.PermitVerify); err != nil || h.Number != 2 {
		t.Errorf("%+v %v", h, err)
	}
	if got := w.phase(t, r.ID, queue.Running); got.Operator != third.Person {
		t.Errorf("attended by %s", got.Operator)
	}
	w.says(t, broker.Report{Kind: broker.ReportPaused, Run: r.ID, Reason: "pressed", PauseToken: [32]byte{9}})
	if _, err := w.Resume(ctx, w.Operator, r.ID, sawNothing); !errors.As(err, &refused) {
		t.Errorf("who handed over resumes: %v", err)
	}
	if _, err := w.Resume(ctx, third, r.ID, sawNothing); err != nil {
		t.Error(err)
	}
	if w.entries(t, "attendance.handed_over") != 2 {
		t.Error("not an entry each")
	}
	if _, err := w.CheckLog(ctx); err != nil {
		t.Error(err)
	}
}

// attendanceOf is the attendance hash in the burned permit, as the worker has it.
func (w *worker) attendanceOf(t *testing.T, run [16]byte) ([32]byte, error) {
	t.Helper()
	var note string
	if err := w.Pool.QueryRow(t.Context(), `SELECT p.note FROM burn b JOIN permit p ON p.digest = b.permit WHERE b.run = $1`, run).Scan(&note); err != nil {
		return [32]byte{}, err
	}
	p, err := permit.OpenPermit([]byte(note), w.PermitVerify)
	return p.Attendance, err
}

func TestPauseIsWrittenDown(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	r := w.started(t)
	var refused *db.Refused
	if _, err := w.NotePause(ctx, w.Member, r.ID); !errors.As(err, &refused) {
		t.Errorf("by a member: %v", err)
	}
	if m, err := w.NotePause(ctx, w.Operator, r.ID); err != nil || m != w.Machine.ID {
		t.Errorf("%v %v", m, err)
	}
	w.phase(t, r.ID, queue.Running) // the worker says when it has
	w.says(t, broker.Report{Kind: broker.ReportPaused, Run: r.ID, Reason: "pressed", PauseToken: [32]byte{9}})
	if _, err := w.NotePause(ctx, w.Operator, r.ID); !errors.Is(err, queue.ErrMoved) {
		t.Errorf("paused already: %v", err)
	}
	if w.entries(t, "pause.pressed") != 1 {
		t.Error("not one entry")
	}
}

// What a worker may have prepared and will never start comes back as a withdrawn offer.
func TestWithdrawnRunsAreOffered(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	ctx := t.Context()
	gone, stays := w.Submit(t, 1), w.Submit(t, 1)
	if _, err := w.WithdrawJob(ctx, w.Member, gone.ID, 0); err != nil {
		t.Fatal(err)
	}
	list, err := w.Withdrawn(ctx, []uuid.UUID{gone.Runs[0].ID, stays.Runs[0].ID})
	if err != nil || len(list) != 1 || !list[0].Withdrawn || list[0].Run != gone.Runs[0].ID || list[0].Machine != w.Machine.ID || list[0].Epoch == [16]byte{} {
		t.Errorf("%+v %v", list, err)
	}
}
