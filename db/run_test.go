package db_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/mod/sumdb/note"

	"kerfgate/checklist"
	"kerfgate/checklist/permit"
	"kerfgate/db"
	"kerfgate/db/dbtest"
	"kerfgate/db/logbook"
	"kerfgate/plan/geom"
	"kerfgate/queue"
	"kerfgate/queue/broker"
)

// worker reports to the store as a worker would, with numbers of its own.
type worker struct {
	*dbtest.Workshop
	n int64
}

func (w *worker) says(t *testing.T, rep broker.Report) {
	t.Helper()
	w.n++
	rep.Number, rep.Oldest = w.n, w.n
	applied, _, err := w.Apply(t.Context(), w.Machine.ID, rep)
	if err != nil || applied != w.n {
		t.Fatalf("report %d %s: applied %d, %v", w.n, rep.Kind, applied, err)
	}
}

func (w *worker) phase(t *testing.T, run uuid.UUID, want queue.Phase) db.Run {
	t.Helper()
	r, err := w.Run(t.Context(), w.Operator, run)
	if err != nil {
		t.Fatal(err)
	}
	if r.Phase != want {
		t.Fatalf("phase is %s (%s), want %s", r.Phase, r.Reason, want)
	}
	return r
}

// signed brings a run through the gate.
func (w *worker) signed(t *testing.T, run uuid.UUID) db.Permit {
	t.Helper()
	w.atTheGate(t, run)
	w.AnswerAll(t, run)
	p, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1, 2, 3}, sha256.Sum256([]byte("token")))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (w *worker) atTheGate(t *testing.T, run uuid.UUID) {
	t.Helper()
	w.says(t, broker.Report{Kind: broker.ReportReady, Run: run, Revision: 1})
	if _, err := w.OpenChecklist(t.Context(), w.Operator, run); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Place(t.Context(), w.Operator, run, db.Placement{Origin: geom.Pt(20_000, 20_000), Homed: true}); err != nil {
		t.Fatal(err)
	}
}

func (w *worker) taken(t *testing.T, p db.Permit) permit.Go {
	t.Helper()
	text, err := w.Take(t.Context(), w.Machine.ID, broker.Taken{Run: p.Run.ID, Permit: p.Digest, Challenge: [32]byte{1, 2, 3}})
	if err != nil {
		t.Fatal(err)
	}
	answer, err := permit.OpenGo(text, w.PermitVerify)
	if err != nil {
		t.Fatal(err)
	}
	return answer
}

// sawNothing is what an operator says before a paused run goes on.
var sawNothing = checklist.LookedAgain{NoGlow: true, Unmoved: true, EyewearOn: true}

func newWorker(t *testing.T) *worker { return &worker{Workshop: dbtest.NewWorkshop(t)} }

// A run's whole life, and then the whole logbook checked as it would be offline (I6, I7).
func TestRunLife(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 2)
	if job.State != queue.JobQueued {
		t.Errorf("state %s, want queued", job.State)
	}
	run := job.Runs[0].ID
	p := w.signed(t, run)
	opened, err := permit.OpenPermit(p.Note, w.PermitVerify)
	if err != nil {
		t.Fatal(err)
	}
	if opened.Run != run || opened.Machine != w.Machine.ID || opened.Operator != w.Operator.Person || opened.AgeLimitS != 60 {
		t.Errorf("permit names %+v", opened)
	}
	if !w.taken(t, p).Granted {
		t.Fatal("go was refused")
	}
	w.phase(t, run, queue.Starting)
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: run})
	w.says(t, broker.Report{Kind: broker.ReportPaused, Run: run, Reason: "pressed", PauseToken: [32]byte{9}})
	if r := w.phase(t, run, queue.Paused); len(r.PauseToken) != 32 {
		t.Error("no pause token kept")
	}
	if _, err := w.Resume(t.Context(), w.Officer, run, sawNothing); err == nil {
		t.Error("an officer who does not attend resumed the run")
	}
	// A place that was lost and found again: the run stays paused, and a second resume answers the same pause.
	for range 2 {
		if _, err := w.Resume(t.Context(), w.Operator, run, sawNothing); err != nil {
			t.Error(err)
		}
		if w.phase(t, run, queue.Paused); w.entries(t, string(logbook.RunPlaced)) == 0 {
			w.says(t, broker.Report{Kind: broker.ReportPlaced, Run: run})
		}
	}
	if n := w.entries(t, string(logbook.RunPlaced)); n != 1 {
		t.Errorf("%d entries of the place found again", n)
	}
	w.says(t, broker.Report{Kind: broker.ReportResumed, Run: run})
	w.says(t, broker.Report{Kind: broker.ReportCompleted, Run: run, RealMS: 12_000})
	w.says(t, broker.Report{Kind: broker.ReportPicture, Run: run, Picture: []byte("\x89PNG not really")})
	w.phase(t, run, queue.Purging)
	w.says(t, broker.Report{Kind: broker.ReportPurged, Run: run})
	if _, err := w.Inspect(t.Context(), w.Operator, run, db.Inspection{Fate: db.SheetKept}); err == nil {
		t.Error("inspected with the supply not said to be off")
	}
	r, err := w.Inspect(t.Context(), w.Operator, run, db.Inspection{Fate: db.SheetKept, SupplyOff: true})
	if err != nil {
		t.Fatal(err)
	}
	if r.Phase != queue.Closed || r.Outcome != queue.OutcomeCompleted || !r.HasPicture {
		t.Errorf("closed run is %+v", r)
	}
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	if m.Watch == nil || m.Watch.Watcher != w.Operator.Person {
		t.Error("no fire watch after a beam run")
	}
	var count, reserved int64
	if err := w.Pool.QueryRow(t.Context(), `SELECT count, reserved FROM stock WHERE id = $1`, w.Stock.ID).Scan(&count, &reserved); err != nil {
		t.Fatal(err)
	}
	if count != 9 || reserved != 1 {
		t.Errorf("stock %d, reserved %d; want 9 and 1", count, reserved)
	}
	rep, err := w.CheckLog(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if rep.Runs != 2 || rep.Permits != 1 || rep.Covered != rep.Entries {
		t.Errorf("check saw %+v", rep)
	}
}

// The same Taken twice gets the same answer and one burn; another permit for the run gets none (I2).
func TestI2_BurnsOnce(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	var granted sync.Map
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() { granted.Store(i, w.taken(t, p).Granted) })
	}
	wg.Wait()
	granted.Range(func(k, v any) bool {
		if v != true {
			t.Errorf("delivery %v was refused", k)
		}
		return true
	})
	var burns int
	if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM burn`).Scan(&burns); err != nil || burns != 1 {
		t.Errorf("%d burns, %v", burns, err)
	}
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: p.Run.ID})
	if w.taken(t, p).Granted {
		t.Error("go granted again after the run moved")
	}
}

// Sixteen sign-offs at once: one permit (F24, I3).
func TestF24_OneSignOffWins(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	w.atTheGate(t, run)
	w.AnswerAll(t, run)
	var wg sync.WaitGroup
	var mu sync.Mutex
	won := 0
	for i := range 16 {
		wg.Go(func() {
			_, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{byte(i + 1)}, [32]byte{1})
			mu.Lock()
			defer mu.Unlock()
			var refused *db.Refused
			switch {
			case err == nil:
				won++
			case !errors.As(err, &refused) && !errors.Is(err, db.ErrConflict) && !errors.Is(err, queue.ErrMoved):
				t.Errorf("sign-off %d: %v", i, err)
			}
		})
	}
	wg.Wait()
	if won != 1 {
		t.Errorf("%d sign-offs won, want 1", won)
	}
}

// What a sign-off binds and changes afterwards voids it, in the same transaction (I8, I10).
func TestI10_ChangesVoid(t *testing.T) {
	t.Parallel()
	changes := map[string]func(t *testing.T, w *worker) error{
		"lockout": func(t *testing.T, w *worker) error {
			_, err := w.SetLockout(t.Context(), w.Officer, w.Machine.ID, "belt slipped")
			return err
		},
		"profile": func(t *testing.T, w *worker) error {
			p := w.Machine.Profile
			p.WorkSpeedUMPerS++
			_, err := w.PublishProfile(t.Context(), w.Officer, w.Machine.ID, p)
			return err
		},
		"material": func(t *testing.T, w *worker) error {
			return w.SetVerdict(t.Context(), w.Officer, w.Material.ID, "with care")
		},
		"composition": func(t *testing.T, w *worker) error {
			m := w.Material.Material
			m.Hazards = []string{"resin pockets flare"}
			_, err := w.ChangeMaterial(t.Context(), w.Officer, w.Material.ID, 0, m, "seen on another sheet")
			return err
		},
		"flame test": func(t *testing.T, w *worker) error {
			_, err := w.TestStock(t.Context(), w.Officer, w.Stock.ID, true, "flared green")
			return err
		},
		"setting proven anew": func(t *testing.T, w *worker) error {
			list, err := w.SettingsOf(t.Context(), w.Material.ID)
			if err != nil {
				return err
			}
			set := list[0]
			set.KerfUM++
			_, err = w.ProveSetting(t.Context(), w.Officer, set)
			return err
		},
		"setting withdrawn": func(t *testing.T, w *worker) error {
			list, err := w.SettingsOf(t.Context(), w.Material.ID)
			if err != nil {
				return err
			}
			return w.WithdrawSetting(t.Context(), w.Officer, list[0].ID)
		},
		"authorisation": func(t *testing.T, w *worker) error {
			list, err := w.Authorisations(t.Context(), w.Operator.Person)
			if err != nil {
				return err
			}
			return w.WithdrawAuthorisation(t.Context(), w.Officer, list[0].ID)
		},
		"stop": func(t *testing.T, w *worker) error {
			return w.NoteStop(t.Context(), w.Operator, w.Machine.ID, "station")
		},
	}
	for name, change := range changes {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorker(t)
			p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
			if err := change(t, w); err != nil {
				t.Fatal(err)
			}
			if got, err := w.Run(t.Context(), w.Officer, p.Run.ID); err != nil || got.Phase != queue.Checking {
				t.Fatalf("phase %s after the change, %v; want checking", got.Phase, err)
			}
			if w.taken(t, p).Granted {
				t.Error("go was granted for a voided permit")
			}
			if _, err := w.CheckLog(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}

// No permit without a complete sign-off by an authorised operator, and the refusal lists all
// reasons at once (I1).
func TestI1_SignOffRefused(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	if _, err := w.OpenChecklist(t.Context(), w.Member, run); err == nil {
		t.Fatal("a member without authorisation opened the checklist")
	}
	if _, err := w.OpenChecklist(t.Context(), w.Operator, run); err != nil {
		t.Fatal(err)
	}
	_, err := w.SignOff(t.Context(), w.Operator, run, [32]byte{1}, [32]byte{1})
	var refused *db.Refused
	if !errors.As(err, &refused) {
		t.Fatalf("signed without anything: %v", err)
	}
	// Not ready, not placed, six items.
	if len(refused.Reasons) != 8 {
		t.Errorf("%d reasons: %v", len(refused.Reasons), refused)
	}
	for _, r := range refused.Reasons {
		if r.What == "" || r.Next == "" {
			t.Errorf("reason %+v lacks what or next", r)
		}
	}
	if _, err := w.Answer(t.Context(), w.Operator, run, checklist.ItemSupply, checklist.Values{"on": "yes"}); err == nil {
		t.Error("supply was answered before the other items")
	}
	if _, err := w.Place(t.Context(), w.Operator, run, db.Placement{Origin: geom.Pt(390_000, 0), Homed: true}); err == nil {
		t.Error("placed outside the bed")
	}
}

// The worker's journal wins: an end reported for a run that the database still holds as permitted
// (its burn never arrived) makes it interrupted, and its sheet is asked for.
func TestJournalWinsOverPermitted(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	w.says(t, broker.Report{Kind: broker.ReportFailed, Run: p.Run.ID, NeverMoved: true, Reason: "no go"})
	r := w.phase(t, p.Run.ID, queue.Inspecting)
	if r.Outcome != queue.OutcomeInterrupted || !r.NeverMoved {
		t.Errorf("outcome %s, never moved %v", r.Outcome, r.NeverMoved)
	}
	if w.taken(t, p).Granted {
		t.Error("go after the end was reported")
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// Reports are applied in order, each once, whatever comes twice or early.
func TestReportsApplyOnce(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	run := w.Submit(t, 1).Runs[0].ID
	early := broker.Report{Number: 3, Kind: broker.ReportJournal}
	if n, _, err := w.Apply(t.Context(), w.Machine.ID, early); err != nil || n != 0 {
		t.Fatalf("an early report was applied: %d, %v", n, err)
	}
	before := size(t, w)
	ready := broker.Report{Number: 1, Kind: broker.ReportReady, Run: run, Revision: 1}
	for range 3 {
		n, text, err := w.Apply(t.Context(), w.Machine.ID, ready)
		if err != nil || n != 1 {
			t.Fatalf("applied %d, %v", n, err)
		}
		if a, err := permit.OpenApplied(text, w.PermitVerify); err != nil || a.Number != 1 {
			t.Errorf("applied statement %+v, %v", a, err)
		}
	}
	if after := size(t, w); after != before+1 {
		t.Errorf("%d entries for one report", after-before)
	}
	// One that does not fit the phase is kept as rejected and holds up nothing.
	if n, _, err := w.Apply(t.Context(), w.Machine.ID, broker.Report{Number: 2, Kind: broker.ReportCompleted, Run: run}); err != nil || n != 2 {
		t.Fatalf("applied %d, %v", n, err)
	}
	w.phase(t, run, queue.Proposed)
}

func size(t *testing.T, w *worker) int64 {
	t.Helper()
	n, err := w.LogSize(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Flame at the inspection: lockout, incident and an hour's watch in one step (F39).
func TestF39_FlameLocksOut(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	w.taken(t, p)
	w.says(t, broker.Report{Kind: broker.ReportMoved, Run: p.Run.ID})
	w.says(t, broker.Report{Kind: broker.ReportStopped, Run: p.Run.ID, Reason: "pressed"})
	w.says(t, broker.Report{Kind: broker.ReportPurged, Run: p.Run.ID})
	if _, err := w.Inspect(t.Context(), w.Operator, p.Run.ID, db.Inspection{Fate: db.SheetScrapped, FlameOrGlow: true, SupplyOff: true}); err != nil {
		t.Fatal(err)
	}
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	if m.Lockout == nil || m.Watch == nil {
		t.Fatalf("lockout %v, watch %v", m.Lockout, m.Watch)
	}
	// 60 minutes at the simulated wait scale of 60.
	if left := time.Until(m.Watch.Until); left < 50*time.Second || left > 61*time.Second {
		t.Errorf("watch lasts %s, want a minute of simulated hour", left)
	}
	var incidents int
	if err := w.Pool.QueryRow(t.Context(), `SELECT count(*) FROM incident WHERE kind = 'fire'`).Scan(&incidents); err != nil || incidents != 1 {
		t.Errorf("%d incidents, %v", incidents, err)
	}
	text, err := w.LockoutNote(t.Context(), w.Machine.ID)
	if err != nil {
		t.Fatal(err)
	}
	if l, err := permit.OpenLockout(text, w.PermitVerify); err != nil || !l.Locked {
		t.Errorf("lockout statement %+v, %v", l, err)
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// Withdrawing frees the sheets; a checklist left alone goes back to the queue.
func TestWithdrawAndExpire(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 3)
	if _, err := w.OpenChecklist(t.Context(), w.Operator, job.Runs[0].ID); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Pool.Exec(t.Context(), `UPDATE run SET opened_at = now() - interval '11 minutes' WHERE id = $1`, job.Runs[0].ID); err != nil {
		t.Fatal(err)
	}
	if n, err := w.ExpireChecklists(t.Context()); err != nil || n != 1 {
		t.Fatalf("released %d, %v", n, err)
	}
	if _, err := w.WithdrawJob(t.Context(), w.Member, job.ID, job.Rev+7); !errors.Is(err, db.ErrConflict) {
		t.Errorf("stale rev: %v", err)
	}
	got, err := w.WithdrawJob(t.Context(), w.Member, job.ID, job.Rev)
	if err != nil {
		t.Fatal(err)
	}
	if got.State != queue.JobWithdrawn {
		t.Errorf("state %s", got.State)
	}
	var reserved int64
	if err := w.Pool.QueryRow(t.Context(), `SELECT reserved FROM stock WHERE id = $1`, w.Stock.ID).Scan(&reserved); err != nil || reserved != 0 {
		t.Errorf("reserved %d, %v", reserved, err)
	}
	if _, err := w.SubmitJob(t.Context(), w.Member, db.NewJob{Title: "too many", Plan: job.Plan, Copies: 11}); err == nil {
		t.Error("more copies than sheets were accepted")
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}

// A whole export is read back by the offline check with outside keys; one byte changed by the
// owner is found at its index (F29).
func TestF29_OwnerEditIsFound(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	w.Submit(t, 1)
	var good bytes.Buffer
	if err := w.ExportLog(t.Context(), &good); err != nil {
		t.Fatal(err)
	}
	verifiers := keys(t, w)
	if _, err := logbook.Check(bytes.NewReader(good.Bytes()), logbook.Options{Verifiers: verifiers}); err != nil {
		t.Fatal(err)
	}
	head, _, err := w.LogHead(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	ownerEdits(t, w, `ALTER TABLE log_entry DISABLE TRIGGER USER; UPDATE log_entry SET data = set_byte(data, length(data) - 1, (get_byte(data, length(data) - 1) + 1) % 256) WHERE index = 5`)
	var bad bytes.Buffer
	if err := w.ExportLog(t.Context(), &bad); err != nil {
		t.Fatal(err)
	}
	_, err = logbook.Check(&bad, logbook.Options{Verifiers: verifiers, EarlierHead: head})
	var found *logbook.CheckError
	if !errors.As(err, &found) || found.Status != 2 || found.Index != 5 {
		t.Errorf("check says %v, want status 2 at 5", err)
	}
}

func keys(t *testing.T, w *worker) note.Verifiers {
	t.Helper()
	a, err := note.NewVerifier(w.LogKey)
	if err != nil {
		t.Fatal(err)
	}
	b, err := note.NewVerifier(w.PermitKey)
	if err != nil {
		t.Fatal(err)
	}
	return note.VerifierList(a, b)
}

// Other members' drawings, jobs and runs are not found (S9).
func TestOthersAreNotFound(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	job := w.Submit(t, 1)
	other, err := w.AddPerson(t.Context(), db.Actor{}, db.NewPerson{SignInName: "other", Name: "Other", Role: db.RoleMember, PasswordHash: "x"})
	if err != nil {
		t.Fatal(err)
	}
	actor := db.Actor{Person: other.ID, Role: other.Role}
	for name, call := range map[string]func() error{
		"job":     func() error { _, err := w.Job(t.Context(), actor, job.ID); return err },
		"drawing": func() error { _, err := w.Drawing(t.Context(), actor, job.Drawing); return err },
		"plan":    func() error { _, err := w.Plan(t.Context(), actor, job.Plan); return err },
		"run":     func() error { _, err := w.Run(t.Context(), actor, job.Runs[0].ID); return err },
		"gate":    func() error { _, err := w.Gate(t.Context(), actor, job.Runs[0].ID); return err },
		"submit": func() error {
			_, err := w.SubmitJob(t.Context(), actor, db.NewJob{Title: "x", Plan: job.Plan, Copies: 1})
			return err
		},
	} {
		if err := call(); !errors.Is(err, db.ErrNotFound) {
			t.Errorf("%s: %v, want not found", name, err)
		}
	}
	if list, err := w.Jobs(t.Context(), actor, uuid.Nil, 10); err != nil || len(list) != 0 {
		t.Errorf("lists %d jobs, %v", len(list), err)
	}
}

func TestFileNamesAreCleaned(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	for given, want := range map[string]string{
		"../../etc/passwd": "passwd", `C:\signs\sign.svg`: "sign.svg", "a\x00b\r\nc.svg": "abc.svg", "\u202egvs.sign": "gvs.sign",
		"": "drawing", strings.Repeat("x", 4096): strings.Repeat("x", 120),
	} {
		d, err := w.ReceiveDrawing(t.Context(), w.Member, given, []byte("x"))
		if err != nil || d.FileName != want {
			t.Errorf("%.20q became %.40q (%v), want %.40q", given, d.FileName, err, want)
		}
	}
}

// A worker that was started anew holds no challenge, so a permit that is still out is voided.
func TestWorkerRestartVoidsPermit(t *testing.T) {
	t.Parallel()
	w := newWorker(t)
	p := w.signed(t, w.Submit(t, 1).Runs[0].ID)
	w.says(t, broker.Report{Kind: broker.ReportJournal, Run: p.Run.ID})
	w.phase(t, p.Run.ID, queue.Permitted)
	w.says(t, broker.Report{Kind: broker.ReportJournal, Process: [16]byte{7}})
	w.phase(t, p.Run.ID, queue.Checking)
	if w.taken(t, p).Granted {
		t.Error("go for a permit of a process that is gone")
	}
	if _, err := w.CheckLog(t.Context()); err != nil {
		t.Error(err)
	}
}
