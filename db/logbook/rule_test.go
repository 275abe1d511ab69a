package logbook

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
)

// ruleCase is a story that breaks one rule with its last entry.
type ruleCase struct {
	name  string
	tell  func(*testLog)
	want  string // start of the reason; empty: nothing is broken
	check int    // status, StatusRule if 0
}

func runCases(t *testing.T, cases []ruleCase) {
	t.Helper()
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			l := newTestLog(t)
			c.tell(l)
			l.head()
			_, bad := l.check(Options{Verifiers: l.keys.verifiers})
			if c.want == "" {
				if bad != nil {
					t.Fatal(bad)
				}
				return
			}
			status := c.check
			if status == 0 {
				status = StatusRule
			}
			if bad == nil || bad.Status != status || bad.Index != l.tree.Size-1 || !strings.HasPrefix(bad.Reason, c.want) {
				t.Fatalf("%v, want %q at %d", bad, c.want, l.tree.Size-1)
			}
		})
	}
}

var (
	runA, runB         = testID(1), testID(2)
	machineA, machineB = testID(100), testID(101)
)

func lockoutEntry(k Kind, machine ID, lockout ...ID) Entry {
	e := Entry{Time: testTime, Kind: k, Actor: testID(9), Subjects: []Subject{{RoleMachine, machine}}}
	for _, id := range lockout {
		e.Subjects = append(e.Subjects, Subject{RoleLockout, id})
	}
	return e
}

func TestI1_NoMotionWithoutPermit(t *testing.T) {
	t.Parallel()
	signedWith := func(more Body) func(*testLog) {
		return func(l *testLog) {
			l.walk(runA, machineA, toChecking...)
			l.append(l.runEntry(runA, machineA, RunSigned, "checking", "permitted", more))
		}
	}
	permit := func(text func(l *testLog) string, signer func(*testKeys) note.Signer) func(*testLog) {
		return func(l *testLog) {
			signed, err := note.Sign(&note.Note{Text: text(l)}, signer(l.keys))
			if err != nil {
				l.t.Fatal(err)
			}
			signedWith(Body{FieldNote: string(signed), FieldPermit: sha256.Sum256(signed)})(l)
		}
	}
	permitKey := func(k *testKeys) note.Signer { return k.permit }
	text := func(run, machine ID, more string) func(*testLog) string {
		return func(*testLog) string {
			return fmt.Sprintf("%s\nrun %s\nmachine %s\nsign-off %x\n%s", permitLine, run, machine, testSignoff, more)
		}
	}
	runCases(t, []ruleCase{
		{name: "good", tell: permit(text(runA, machineA, ""), permitKey)},
		{name: "another run's", tell: permit(text(runB, machineA, ""), permitKey), want: "I1"},
		{name: "another machine's", tell: permit(text(runA, machineB, ""), permitKey), want: "I1"},
		{name: "two runs", tell: permit(text(runA, machineA, "run "+runB.String()+"\n"), permitKey), want: "I1"},
		{name: "another statement", tell: permit(func(l *testLog) string { return strings.Replace(text(runA, machineA, "")(l), "permit", "leave", 1) }, permitKey), want: "I1"},
		{name: "signed by the log key", tell: permit(text(runA, machineA, ""), func(k *testKeys) note.Signer { return k.log }), want: "permit", check: StatusSignature},
		{name: "not a note", tell: signedWith(Body{FieldNote: "x", FieldPermit: sha256.Sum256([]byte("x"))}), want: "permit", check: StatusSignature},
		{name: "digest of another", tell: signedWith(Body{FieldPermit: [32]byte{1}}), want: "permit", check: StatusSignature},
		{name: "short digest", tell: signedWith(Body{FieldPermit: []byte{1}}), want: "I1"},
		{name: "another sign-off's", tell: signedWith(Body{FieldSignoff: [32]byte{1}}), want: "I1"},
		{name: "no sign-off", tell: signedWith(Body{FieldSignoff: false}), want: "I1"},
		{name: "burned without", tell: func(l *testLog) {
			l.walk(runA, machineA, toChecking...)
			l.walk(runA, machineA, "run.burned permitted starting")
		}, want: "I1"},
		{name: "burned another", tell: func(l *testLog) {
			l.walk(runA, machineA, toSigned...)
			l.append(l.runEntry(runA, machineA, RunBurned, "permitted", "starting", Body{FieldPermit: [32]byte{1}}))
		}, want: "I1"},
		{name: "burned after void", tell: func(l *testLog) {
			l.walk(runA, machineA, toSigned...)
			l.walk(runA, machineA, "run.voided permitted checking", "run.burned permitted starting")
		}, want: "I1"},
		{name: "moved unburned", tell: func(l *testLog) {
			l.walk(runA, machineA, toSigned...)
			l.walk(runA, machineA, "run.moved starting running")
		}, want: "I1"},
	})
}

func TestI2_MovesAtMostOnce(t *testing.T) {
	t.Parallel()
	after := func(walked []string, step string) func(*testLog) {
		return func(l *testLog) {
			l.walk(runA, machineA, walked...)
			l.walk(runA, machineA, step)
		}
	}
	runCases(t, []ruleCase{
		{name: "burned twice", tell: after(toStarting, "run.burned permitted starting"), want: "I2"},
		{name: "burned while running", tell: after(toRunning, "run.burned permitted starting"), want: "I2"},
		{name: "moved twice", tell: after(toRunning, "run.moved starting running"), want: "I2"},
		{name: "signed again", tell: after(toRunning, "run.signed checking permitted"), want: "I2"},
		{name: "opened again when closed", tell: after(toClosed, "run.opened proposed checking"), want: "I2"},
		{name: "proposed again", tell: after(toChecking, "run.proposed"), want: "I2"},
		{name: "proposed again when closed", tell: after(toClosed, "run.proposed"), want: "I2"},
		{name: "moved, then never moved", tell: func(l *testLog) {
			l.walk(runA, machineA, toRunning...)
			l.append(l.runEntry(runA, machineA, RunStopped, "running", "purging", Body{FieldNeverMoved: true}))
		}, want: "I2"},
		{name: "never moved", tell: func(l *testLog) {
			l.walk(runA, machineA, toStarting...)
			l.append(l.runEntry(runA, machineA, RunFailed, "starting", "inspecting", Body{FieldNeverMoved: true}))
		}},
	})
}

func TestI3_OneActiveRunAMachine(t *testing.T) {
	t.Parallel()
	while := func(first []string, machine ID) func(*testLog) {
		return func(l *testLog) {
			l.walk(runA, machineA, first...)
			l.walk(runB, machine, toSigned...)
		}
	}
	runCases(t, []ruleCase{
		{name: "permitted", tell: while(toSigned, machineA), want: "I3"},
		{name: "starting", tell: while(toStarting, machineA), want: "I3"},
		{name: "running", tell: while(toRunning, machineA), want: "I3"},
		{name: "paused", tell: while(append(slices.Clone(toRunning), "run.paused running paused"), machineA), want: "I3"},
		{name: "purging", tell: while(toClosed[:6], machineA), want: "I3"},
		{name: "inspecting", tell: while(toClosed[:7], machineA), want: "I3"},
		{name: "closed", tell: while(toClosed, machineA)},
		{name: "checking", tell: while(toChecking, machineA)},
		{name: "voided", tell: while(append(slices.Clone(toSigned), "run.voided permitted checking"), machineA)},
		{name: "withdrawn", tell: while(append(slices.Clone(toSigned), "run.withdrawn permitted closed"), machineA)},
		{name: "another machine", tell: while(toRunning, machineB)},
	})
}

func TestI8_LockedOutMachineGetsNoPermit(t *testing.T) {
	t.Parallel()
	set := func(l *testLog, lockout ...ID) { l.append(lockoutEntry(LockoutSet, machineA, lockout...)) }
	lift := func(l *testLog, lockout ...ID) { l.append(lockoutEntry(LockoutLifted, machineA, lockout...)) }
	runCases(t, []ruleCase{
		{name: "signed", tell: func(l *testLog) { set(l); l.walk(runA, machineA, toSigned...) }, want: "I8"},
		{name: "burned", tell: func(l *testLog) {
			l.walk(runA, machineA, toSigned...)
			set(l)
			l.walk(runA, machineA, "run.burned permitted starting")
		}, want: "I8"},
		{name: "lifted", tell: func(l *testLog) { set(l); lift(l); l.walk(runA, machineA, toSigned...) }},
		{name: "another machine", tell: func(l *testLog) { set(l); l.walk(runA, machineB, toSigned...) }},
		{name: "one of two lifted", tell: func(l *testLog) {
			set(l, testID(50))
			set(l, testID(51))
			lift(l, testID(50))
			l.walk(runA, machineA, toSigned...)
		}, want: "I8"},
		{name: "all lifted", tell: func(l *testLog) {
			set(l, testID(50))
			set(l, testID(51))
			lift(l)
			l.walk(runA, machineA, toSigned...)
		}},
		{name: "running goes on", tell: func(l *testLog) {
			l.walk(runA, machineA, toRunning...)
			set(l)
			l.walk(runA, machineA, "run.stopped running purging")
		}},
		{name: "of no machine", tell: func(l *testLog) {
			l.append(Entry{Time: testTime, Kind: LockoutSet})
		}, want: "lockout.set"},
	})
}

func TestI9_MissedAttendance(t *testing.T) {
	t.Parallel()
	then := func(steps ...string) func(*testLog) {
		return func(l *testLog) {
			l.walk(runA, machineA, toRunning...)
			l.walk(runA, machineA, steps...)
		}
	}
	const missed, paused = "attendance.missed", "run.paused running paused"
	runCases(t, []ruleCase{
		{name: "paused", tell: then(missed, paused)},
		{name: "completed", tell: then(missed, "run.completed running purging")},
		{name: "stopped", tell: then(missed, "run.stopped running purging")},
		{name: "failed", tell: then(missed, "run.failed running purging")},
		{name: "interrupted", tell: then(missed, "run.interrupted running purging")},
		{name: "resumed from running", tell: then(missed, "run.resumed running running"), want: "I9"},
		{name: "missed again, not paused", tell: then(missed, missed), want: "I9"},
		{name: "paused and resumed", tell: then(missed, paused, "run.resumed paused running")},
		{name: "missed in a pause, resumed", tell: then(paused, missed, "run.resumed paused running")},
		{name: "missed a second time in a pause, resumed", tell: then(missed, paused, missed, "run.resumed paused running"), want: "I9"},
		{name: "missed a second time in a pause, stopped", tell: then(missed, paused, missed, "run.stopped paused purging")},
		{name: "missed, resumed, missed, paused again", tell: then(missed, paused, "run.resumed paused running", missed, paused), want: "I9"},
		{name: "missed in a pause, stopped", tell: then(paused, missed, "run.stopped paused purging")},
		{name: "missed in a pause, interrupted", tell: then(paused, missed, "run.interrupted paused purging")},
		{name: "missed in a pause, failed", tell: then(paused, missed, "run.failed paused purging")},
		{name: "missed three times in a pause", tell: then(paused, missed, missed, missed), want: "I9"},
		{name: "of a run that is not there", tell: func(l *testLog) { l.walk(runA, machineA, missed) }, want: "attendance.missed"},
	})
}

func TestPhaseOrder(t *testing.T) {
	t.Parallel()
	named := func(subjects ...Subject) func(*testLog) {
		return func(l *testLog) {
			l.walk(runA, machineA, "run.proposed")
			e := l.runEntry(runA, machineA, RunOpened, "proposed", "checking", nil)
			e.Subjects = subjects
			l.append(e)
		}
	}
	outcome := func(more Body) func(*testLog) {
		return func(l *testLog) {
			l.walk(runA, machineA, toRunning...)
			l.append(l.runEntry(runA, machineA, RunStopped, "running", "purging", more))
		}
	}
	runCases(t, []ruleCase{
		{name: "never proposed", tell: func(l *testLog) { l.walk(runA, machineA, "run.opened proposed checking") }, want: "run.opened"},
		{name: "from elsewhere", tell: func(l *testLog) {
			l.walk(runA, machineA, toChecking...)
			l.walk(runA, machineA, "run.opened proposed checking")
		}, want: "run.opened"},
		{name: "to elsewhere", tell: func(l *testLog) { l.walk(runA, machineA, "run.proposed", "run.opened proposed permitted") }, want: "run.opened"},
		{name: "to nowhere", tell: func(l *testLog) { l.walk(runA, machineA, "run.proposed", "run.opened proposed sowing") }, want: "run.opened"},
		{name: "machine changes", tell: named(Subject{RoleMachine, machineB}, Subject{RoleRun, runA}), want: "run"},
		{name: "no machine", tell: named(Subject{RoleRun, runA}), want: "run.opened"},
		{name: "no run", tell: named(Subject{RoleMachine, machineA}), want: "run.opened"},
		{name: "two runs", tell: named(Subject{RoleMachine, machineA}, Subject{RoleRun, runA}, Subject{RoleRun, runB}), want: "run.opened"},
		{name: "outcome", tell: outcome(Body{FieldOutcome: "stopped"})},
		{name: "outcome of another event", tell: outcome(Body{FieldOutcome: "completed"}), want: "run.stopped"},
		{name: "stop in running that changes nothing", tell: func(l *testLog) {
			l.walk(runA, machineA, toRunning...)
			l.walk(runA, machineA, "run.stopped running running")
		}, want: "run.stopped"},
		{name: "later outcome differs", tell: func(l *testLog) {
			l.walk(runA, machineA, toClosed[:7]...)
			l.append(l.runEntry(runA, machineA, RunInspected, "inspecting", "closed", Body{FieldOutcome: "failed"}))
		}, want: "run.inspected"},
	})
}

// TestPhaseOrder_EveryPair tries every kind between every two phases; those that
// pass are the rows of the phase table and the stops that change nothing.
func TestPhaseOrder_EveryPair(t *testing.T) {
	t.Parallel()
	// The phase table, written down a second time: phase, event, next phase.
	table := strings.Fields(`
		proposed/opened/checking checking/released/proposed checking/signed/permitted
		permitted/voided/checking permitted/burned/starting starting/moved/running
		starting/stopped/inspecting starting/failed/inspecting starting/interrupted/inspecting
		running/paused/paused paused/resumed/running running/completed/purging
		running/stopped/purging paused/stopped/purging running/failed/purging paused/failed/purging
		running/interrupted/purging paused/interrupted/purging
		purging/purged/inspecting inspecting/inspected/closed
		proposed/withdrawn/closed checking/withdrawn/closed permitted/withdrawn/closed
		permitted/interrupted/inspecting proposed/restored/inspecting checking/restored/inspecting
		proposed/stopped/proposed checking/stopped/checking purging/stopped/purging inspecting/stopped/inspecting`)
	phases := []string{"proposed", "checking", "permitted", "starting", "running", "paused", "purging", "inspecting", "closed"}
	n := 0
	for _, k := range Kinds() {
		for _, from := range phases {
			for _, to := range phases {
				_, got := findMove(k, from, to)
				want := slices.Contains(table, from+"/"+strings.TrimPrefix(string(k), "run.")+"/"+to)
				if got != want {
					t.Errorf("%s from %s to %s: %t, want %t", k, from, to, got, want)
				}
				if got {
					n++
				}
			}
		}
	}
	if n != len(table) || len(RunMoves()) != 26 {
		t.Errorf("%d moves of %d, table of %d", n, len(table), len(RunMoves()))
	}
}

// TestRules_UnknownPhaseChange: a phase change that a later version added makes
// the log unreadable to this one, and is not passed over.
func TestRules_UnknownPhaseChange(t *testing.T) {
	t.Parallel()
	l := newTestLog(t)
	l.walk(runA, machineA, "run.proposed")
	e := l.runEntry(runA, machineA, "run.mulched", "proposed", "mulching", nil)
	data, err := e.encode()
	if err != nil {
		t.Fatal(err)
	}
	l.appendBytes(data)
	if _, bad := l.check(Options{}); bad == nil || bad.Status != StatusUnreadable || bad.Index != 1 {
		t.Error(bad)
	}
}
