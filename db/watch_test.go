package db_test

import (
	"errors"
	"testing"
	"time"

	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// watched is a machine under fire watch after a run, its times in whole minutes as on a real machine.
func watched(t *testing.T) *worker {
	t.Helper()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.finish(t, run)
	if _, err := w.Inspect(t.Context(), w.Operator, run, db.Inspection{Fate: db.SheetKept, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	w.sql(t, `UPDATE watch SET every = interval '10 minutes', until = seen_at + interval '30 minutes'`)
	return w
}

func (w *worker) sql(t *testing.T, text string, args ...any) {
	t.Helper()
	if _, err := w.Pool.Exec(t.Context(), text, args...); err != nil {
		t.Fatal(err)
	}
}

// passes lets time go by: everything that was stored lies further back.
func (w *worker) passes(t *testing.T, minutes int) {
	t.Helper()
	w.sql(t, `UPDATE watch SET seen_at = seen_at - make_interval(mins => $1), until = until - make_interval(mins => $1), opened_at = opened_at - make_interval(mins => $1)`, minutes)
}

// left is how long the watch lasts from now on, in whole minutes.
func (w *worker) left(t *testing.T) int {
	t.Helper()
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Watch == nil {
		t.Fatal(m.Watch, err)
	}
	return int(time.Until(m.Watch.At(time.Now()).Until).Round(time.Minute) / time.Minute)
}

func (w *worker) looks(t *testing.T, who db.Actor) bool {
	t.Helper()
	closed, err := w.LookAtWatch(t.Context(), who, w.Machine.ID, false)
	if err != nil {
		t.Fatal(err)
	}
	return closed
}

// TestF33_WatchCountsLooks: looks in time lead to the end, and the look at the end closes; time in which nobody
// looked is made up for and logged once; none of it hangs on a process that goes on running.
func TestF33_WatchCountsLooks(t *testing.T) {
	t.Parallel()
	w := watched(t)
	w.passes(t, 9)
	if closed := w.looks(t, w.Operator); closed || w.left(t) != 21 {
		t.Errorf("after 9 minutes: closed %v, %d left", closed, w.left(t))
	}
	if n, err := w.MissWatches(t.Context()); err != nil || n != 0 {
		t.Errorf("missed %d, %v", n, err)
	}
	w.passes(t, 18) // 8 of them too late
	for range 2 {
		if _, err := w.MissWatches(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if n := w.entries(t, "watch.missed"); n != 1 || w.left(t) != 11 {
		t.Errorf("missed %d times, %d left", n, w.left(t))
	}
	again := w.Backup(t) // another server on the same rows
	if m, err := again.Store.Machine(t.Context(), w.Machine.ID); err != nil || m.Watch == nil || !m.Watch.Missed(time.Now()) {
		t.Errorf("after a restart of the server: %+v, %v", m.Watch, err)
	}
	refusedFor(t, "closed early", w.CloseWatch(t.Context(), w.Operator, w.Machine.ID), "left")
	if w.looks(t, w.Officer) || w.left(t) != 11 {
		t.Errorf("late look: %d left", w.left(t))
	}
	w.passes(t, 10)
	w.looks(t, w.Officer)
	w.passes(t, 2)
	if !w.looks(t, w.Officer) {
		t.Error("the look at the end does not close it")
	}
	if _, err := w.LookAtWatch(t.Context(), w.Officer, w.Machine.ID, false); !errors.Is(err, db.ErrNotFound) {
		t.Errorf("a look at no watch: %v", err)
	}
	if n, c := w.entries(t, "watch.confirmed"), w.entries(t, "watch.closed"); n != 3 || c != 1 {
		t.Errorf("%d confirmed, %d closed", n, c)
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestWatchIsHandedOver: it has a name, whoever takes it over or looks for another has it from then on, and
// nobody without a right to the machine does either.
func TestWatchIsHandedOver(t *testing.T) {
	t.Parallel()
	w := watched(t)
	keeper := func() string {
		m, err := w.Store.Machine(t.Context(), w.Machine.ID)
		if err != nil || m.Watch == nil {
			t.Fatal(m.Watch, err)
		}
		return m.Watch.WatcherName
	}
	if keeper() != "Operator of the garden" {
		t.Errorf("kept by %s, not by whoever inspected", keeper())
	}
	refusedFor(t, "taken twice", w.TakeWatch(t.Context(), w.Operator, w.Machine.ID), "already")
	refusedFor(t, "taken by a member", w.TakeWatch(t.Context(), w.Member, w.Machine.ID), "authorisation")
	_, err := w.LookAtWatch(t.Context(), w.Member, w.Machine.ID, false)
	refusedFor(t, "a member's look", err, "authorisation")
	if err := w.TakeWatch(t.Context(), w.Officer, w.Machine.ID); err != nil || keeper() != "Officer of the garden" || w.left(t) != 30 {
		t.Errorf("%v, kept by %s, %d left", err, keeper(), w.left(t))
	}
	if n := w.entries(t, "watch.handed_over"); n != 1 {
		t.Errorf("%d hand-overs", n)
	}
	w.looks(t, w.Operator)
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Watch.WatcherName != "Operator of the garden" {
		t.Errorf("after another's look it is kept by %s, %v", m.Watch.WatcherName, err)
	}
	list, err := w.Looks(t.Context(), m.Watch.ID)
	if err != nil || len(list) != 1 || list[0].Name != "Operator of the garden" || list[0].Fire {
		t.Errorf("looks %+v, %v", list, err)
	}
}

// TestF39_FireAtALook: what is seen at a look counts as at the inspection: locked out, an incident, an hour anew.
func TestF39_FireAtALook(t *testing.T) {
	t.Parallel()
	w := watched(t)
	w.passes(t, 9)
	if closed, err := w.LookAtWatch(t.Context(), w.Operator, w.Machine.ID, true); err != nil || closed {
		t.Fatal(closed, err)
	}
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Lockout == nil || m.Watch == nil {
		t.Fatalf("%+v, %+v, %v", m.Lockout, m.Watch, err)
	}
	if left := w.left(t); left != 21 { // an hour of this machine's, whose waits are 60 times shorter, is less than what was left
		t.Errorf("%d minutes left", left)
	}
	opened, err := w.LogEntries(t.Context(), db.LogFilter{Before: -1, Limit: 1, Kind: "watch.opened"})
	if s, _ := opened[0].Entry.Body.Int("seconds"); err != nil || s != 60*60/m.Profile.Driver.WaitScale {
		t.Errorf("a watch of %d s, %v", s, err)
	}
	if n := w.entries(t, "incident.opened"); n != 1 {
		t.Errorf("%d incidents", n)
	}
	if _, err := w.LookAtWatch(t.Context(), w.Operator, w.Machine.ID, true); err != nil {
		t.Errorf("a second fire on a machine that is locked out: %v", err)
	}
}

// TestRunCountsAsWatching: while the next run on the machine is attended no look is due, its inspection is one,
// and the longer time runs on.
func TestRunCountsAsWatching(t *testing.T) {
	t.Parallel()
	w := watched(t)
	w.passes(t, 8)
	run := w.Submit(t, 1).Runs[0].ID
	p := w.signed(t, run)
	if !w.taken(t, p).Granted {
		t.Fatal("not granted")
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: run})
	w.sql(t, `UPDATE run SET started_at = now() - interval '7 minutes' WHERE id = $1`, run)
	w.passes(t, 15) // looked 23 minutes ago, the run began 7 ago: 6 late
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || !m.Watch.Running || m.Watch.Missed(time.Now()) {
		t.Fatalf("while the run is attended: %+v, %v", m.Watch, err)
	}
	if n := w.left(t); n != 13 {
		t.Errorf("%d minutes left, want 7 and the 6 in which nobody looked", n)
	}
	if n, err := w.MissWatches(t.Context()); err != nil || n != 0 {
		t.Errorf("missed %d while a run is attended, %v", n, err)
	}
	w.says(t, broker.Report{Kind: broker.ReportCompleted, Run: run, RealMS: 5})
	w.says(t, broker.Report{Kind: broker.ReportPurged, Run: run})
	w.phase(t, run, queue.Inspecting)
	if _, err := w.Inspect(t.Context(), w.Operator, run, db.Inspection{Fate: db.SheetKept, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	if n := w.left(t); n != 13 {
		t.Errorf("%d minutes left after the inspection: the longer time runs on", n)
	}
}

// TestNoEditionNoBeam: until an officer chose an edition no beam runs, and nobody else chooses.
func TestNoEditionNoBeam(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	w.sql(t, `UPDATE site SET fire_edition = ''`)
	run := w.Submit(t, 1).Runs[0].ID
	w.says(t, broker.Report{Kind: broker.ReportReady, Run: run, Revision: 1})
	_, err := w.OpenChecklist(t.Context(), w.Operator, run)
	refusedFor(t, "without an edition", err, "not chosen")
	for _, who := range []db.Actor{w.Operator, w.Admin} {
		if err := w.ChooseFireEdition(t.Context(), who, checklist.EditionNFPA); !errors.Is(err, db.ErrNotAllowed) {
			t.Errorf("%s chooses: %v", who.Role, err)
		}
	}
	refusedFor(t, "no edition", w.ChooseFireEdition(t.Context(), w.Officer, "mine"), "no such edition")
	if err := w.ChooseFireEdition(t.Context(), w.Officer, checklist.EditionNFPA); err != nil {
		t.Fatal(err)
	}
	if site, err := w.Site(t.Context()); err != nil || site.FireWatchMinutes != 60 || site.FireEdition != checklist.EditionNFPA || w.entries(t, "site.fire_edition") != 1 {
		t.Errorf("%+v, %v", site, err)
	}
	if _, err := w.OpenChecklist(t.Context(), w.Operator, run); err != nil {
		t.Error(err)
	}
}
