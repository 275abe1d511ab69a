package logbook

import (
	"fmt"
	"strings"
)

// rules holds what the entries so far have said, as far as a later entry can
// contradict it. It grows with live runs and machines, and by an id a run.
type rules struct {
	permitKey string // name
	logKey    string // name
	keys      *trust

	live     map[ID]*liveRun
	closed   map[ID]struct{} // runs that are over for good
	machines map[ID]*machineState
	permits  int64
	followed int64
}

type liveRun struct {
	machine ID // zero until an entry names it
	phase   string
	outcome string
	permit  [32]byte // of the sign-off that holds; zero if none does
	burned  bool
	moved   bool
	missed  string // phase in which attendance was missed, until the run moves
	misses  int    // in running and paused, over the whole run
}

type machineState struct {
	active   ID
	lockouts map[ID]struct{} // the zero id is a lockout without an id of its own
}

func newRules(site string, keys *trust) *rules {
	return &rules{
		permitKey: PermitKeyName(site),
		logKey:    LogKeyName(site),
		keys:      keys,
		live:      map[ID]*liveRun{},
		closed:    map[ID]struct{}{},
		machines:  map[ID]*machineState{},
	}
}

func (r *rules) machine(id ID) *machineState {
	m := r.machines[id]
	if m == nil {
		m = &machineState{lockouts: map[ID]struct{}{}}
		r.machines[id] = m
	}
	return m
}

func broken(format string, args ...any) *CheckError {
	return &CheckError{Status: StatusRule, Reason: fmt.Sprintf(format, args...)}
}

// entry judges one entry and takes it in, also where it breaks a rule, so that
// later entries are judged by what the log says. The answer lacks the index.
func (r *rules) entry(e told) *CheckError {
	switch {
	case e.what == RunProposed:
		return r.proposed(e)
	case e.what == AttendanceMissed:
		return r.attendanceMissed(e)
	case e.what == LockoutSet, e.what == LockoutLifted:
		return r.lockout(e)
	case e.what == KeyReplaced:
		return r.follow(e)
	case e.what.movesRun():
		return r.move(e)
	case strings.HasPrefix(string(e.what), "run.") && !e.what.Known():
		if e.field(FieldTo) != nil {
			return &CheckError{Status: StatusUnreadable,
				Reason: fmt.Sprintf("%s is a phase change that this version does not know; check with a newer one", e.what)}
		}
	}
	return nil
}

func (r *rules) proposed(e told) *CheckError {
	id, ok := e.subject(RoleRun)
	if !ok {
		return broken("%s names no run", e.what)
	}
	_, over := r.closed[id]
	if _, live := r.live[id]; live || over {
		return broken("I2: run %s is proposed a second time", id)
	}
	machine, _ := e.subject(RoleMachine)
	r.live[id] = &liveRun{machine: machine, phase: phaseProposed}
	return nil
}

func (r *rules) lockout(e told) *CheckError {
	id, ok := e.subject(RoleMachine)
	if !ok {
		return broken("%s names no machine", e.what)
	}
	m := r.machine(id)
	lockout, named := e.subject(RoleLockout)
	switch {
	case e.what == LockoutSet:
		m.lockouts[lockout] = struct{}{}
	case named:
		delete(m.lockouts, lockout)
	default:
		clear(m.lockouts)
	}
	return nil
}

// attendanceMissed holds I9's first half: what a miss must be followed by is
// judged when the run moves next, and that it moves before the next miss here.
// Misses outside running and paused come late and ask for nothing.
func (r *rules) attendanceMissed(e told) *CheckError {
	id, ok := e.subject(RoleRun)
	if !ok {
		return broken("%s names no run", e.what)
	}
	run := r.live[id]
	if run == nil {
		if _, over := r.closed[id]; over {
			return nil
		}
		return broken("%s: run %s was never proposed", e.what, id)
	}
	if run.phase != phaseRunning && run.phase != phasePaused {
		return nil
	}
	again := run.missed == phaseRunning || run.misses > 1
	run.missed = run.phase
	run.misses++
	if again {
		return broken("I9: attendance of run %s missed again, and it was still %s", id, run.phase)
	}
	return nil
}

// move judges a phase change.
func (r *rules) move(e told) *CheckError {
	id, ok := e.subject(RoleRun)
	if !ok {
		return broken("%s names no run", e.what)
	}
	if _, over := r.closed[id]; over {
		return broken("I2: %s of run %s, which is closed", e.what, id)
	}
	run := r.live[id]
	if run == nil {
		return broken("%s of run %s, which was never proposed", e.what, id)
	}
	machine, ok := e.subject(RoleMachine)
	if !ok {
		return broken("%s of run %s names no machine", e.what, id)
	}
	name, _ := e.text(FieldFrom)
	from := phaseNamed(name)
	name, _ = e.text(FieldTo)
	to := phaseNamed(name)
	m, legal := findMove(e.what, from, to)

	bad := r.judge(e, id, run, machine, from, to, legal)
	if run.machine.IsZero() {
		run.machine = machine
	}
	if bad == nil {
		bad = r.outcome(e, id, run, m)
	}
	r.take(e, id, run, to)
	return bad
}

// judge returns the first rule that a phase change breaks.
func (r *rules) judge(e told, id ID, run *liveRun, machine ID, from, to string, legal bool) *CheckError {
	if bad := afterMiss(e.what, id, run); bad != nil {
		return bad
	}
	if bad := r.once(e, id, run); bad != nil {
		return bad
	}
	if from != run.phase {
		return broken("%s of run %s from %q, but it was %s", e.what, id, from, run.phase)
	}
	if !legal {
		return broken("%s cannot take run %s from %s to %q", e.what, id, from, to)
	}
	if !run.machine.IsZero() && run.machine != machine {
		return broken("run %s changes from machine %s to %s", id, run.machine, machine)
	}
	state := r.machine(machine)
	switch e.what {
	case RunSigned:
		if !state.active.IsZero() && state.active != id {
			return broken("I3: run %s is permitted while run %s is active on machine %s", id, state.active, machine)
		}
		if len(state.lockouts) > 0 {
			return broken("I8: run %s is signed on machine %s, which is locked out", id, machine)
		}
		return r.permit(e, id, machine)
	case RunBurned:
		if len(state.lockouts) > 0 {
			return broken("I8: permit of run %s is burned on machine %s, which is locked out", id, machine)
		}
	}
	return nil
}

// once holds I1 and I2: signed, burned, moved, in this order, the last two at
// most once.
func (r *rules) once(e told, id ID, run *liveRun) *CheckError {
	switch e.what {
	case RunBurned:
		permit, ok := e.digest(FieldPermit)
		if run.burned {
			return broken("I2: run %s burns a second permit", id)
		}
		if !ok || run.permit == [32]byte{} || permit != run.permit {
			return broken("I1: run %s burns a permit that was not signed for it, or is void", id)
		}
	case RunMoved:
		if run.moved {
			return broken("I2: run %s starts moving a second time", id)
		}
		if !run.burned {
			return broken("I1: run %s moves without a burned permit", id)
		}
	case RunSigned:
		if run.burned {
			return broken("I2: run %s is signed again after its permit was burned", id)
		}
	}
	if run.moved && e.truth(FieldNeverMoved) {
		return broken("I2: %s says that run %s never moved, but it did", e.what, id)
	}
	return nil
}

// afterMiss holds I9: a miss while running pauses or ends the run; the second miss of a run ends it.
// The first miss in a pause that had another cause changes nothing: the beam is off already.
func afterMiss(k Kind, id ID, run *liveRun) *CheckError {
	ends := k == RunStopped || k == RunFailed || k == RunInterrupted
	switch {
	case run.missed == "" || ends:
	case run.misses > 1:
		return broken("I9: attendance of run %s was missed twice, then came %s", id, k)
	case run.missed == phaseRunning && k != RunPaused && k != RunCompleted:
		return broken("I9: attendance of run %s was missed, then came %s", id, k)
	}
	return nil
}

// outcome holds the field "outcome", where there is one, to what the move decides
// or an earlier one decided.
func (r *rules) outcome(e told, id ID, run *liveRun, m RunMove) *CheckError {
	want := run.outcome
	if m.Outcome != "" {
		want = m.Outcome
	}
	run.outcome = want
	value := e.field(FieldOutcome)
	if value == nil {
		return nil
	}
	if got, ok := payload(value, majorText); !ok || string(got) != want {
		return broken("%s gives run %s the outcome %v in place of %q", e.what, id, (&scanner{data: value}).plain(), want)
	}
	return nil
}

// take brings the state to what the entry says.
func (r *rules) take(e told, id ID, run *liveRun, to string) {
	run.missed = ""
	run.phase = to
	switch e.what {
	case RunSigned:
		run.permit, _ = e.digest(FieldPermit)
	case RunVoided, RunWithdrawn:
		run.permit = [32]byte{}
	case RunBurned:
		run.burned = true
	case RunMoved:
		run.moved = true
	}
	state := r.machine(run.machine)
	if activePhase(to) {
		state.active = id
	} else if state.active == id {
		state.active = ID{}
	}
	if to == phaseClosed {
		delete(r.live, id)
		r.closed[id] = struct{}{}
	}
}
