package queue

import (
	"slices"
	"time"

	"github.com/google/uuid"
)

// Lane is everything of one machine that the order of its waiting runs depends on.
type Lane struct {
	Now       time.Time
	LockedOut bool
	Loaded    uuid.UUID     // lot of the sheet that lies there or lay there last; zero for unknown
	FreeIn    time.Duration // until the run at work is over
	Pace      Pace
	Had       map[uuid.UUID]time.Duration // machine time that each member had lately
	Waiting   []Waiting
}

// Waiting is one run that is proposed or at the gate.
type Waiting struct {
	Run        uuid.UUID
	Number     int64 // grows in the order in which runs were handed in
	Member     uuid.UUID
	Stock      uuid.UUID
	Takes      time.Duration // as planned
	Due        *time.Time
	AtGate     bool       // its checklist is open
	NoSheet    string     // why no sheet of its lot may be used now, empty where one may
	Taken      *time.Time // when an operator took it ahead of its turn
	TakenWhy   string
	Called     *time.Time // when its member was called to the machine
	CalledSeen bool       // and came
}

// CallLasts is how long a member who was called is waited for. Then the next run goes, and the place is kept.
const CallLasts = 5 * time.Minute

// Absent says whether the run's member was called and has not come in time.
func (w Waiting) Absent(now time.Time) bool {
	return w.Called != nil && !w.CalledSeen && now.Sub(*w.Called) >= CallLasts
}

// Pace is what runs of a machine took, against what was planned.
type Pace struct {
	Runs    int           // that it was read from
	Typical int64         // permille of the planned time that half of the runs stayed under
	Slow    int64         // permille that nine of ten runs stayed under
	Around  time.Duration // from the end of motion to the closed inspection, the middle one
	// SameLot and OtherLot are the middle times from taking a run up to its motion: laying another sheet of the lot
	// that lay there, or one of another with its checks and its focus. Zero where too few runs are known.
	SameLot, OtherLot time.Duration
}

// Laid is how long it took from taking a run up to its motion, behind a run before it on that machine.
type Laid struct {
	Took    time.Duration
	SameLot bool // the sheet before was of the same lot
}

// Lay reads from what was laid how long it takes; each kind by itself, where enough of it is known.
func (p *Pace) Lay(all []Laid) {
	var same, other []time.Duration
	for _, l := range all {
		if l.SameLot {
			same = append(same, l.Took)
		} else {
			other = append(other, l.Took)
		}
	}
	middle := func(of []time.Duration) time.Duration {
		if len(of) < PaceRuns {
			return 0
		}
		slices.Sort(of)
		return of[(len(of)-1)/2]
	}
	p.SameLot, p.OtherLot = middle(same), middle(other)
}

// Laying is how long a sheet takes to be laid: as runs here took, else what is assumed. known says which.
func (p Pace) Laying(sameLot bool) (took time.Duration, known bool) {
	took, usual := p.OtherLot, usualOtherLot
	if sameLot {
		took, usual = p.SameLot, usualSameLot
	}
	if took <= 0 {
		return usual, false
	}
	return took, true
}

// Fewer runs than PaceRuns say nothing of a machine: it is taken as planned, and up to half as long again.
const PaceRuns = 5

// usualPace stands where too few runs are known. Common practice, no source.
var usualPace = Pace{Typical: 1000, Slow: 1500, Around: 2 * time.Minute}

// Known says whether enough runs of this machine are known.
func (p Pace) Known() bool { return p.Runs >= PaceRuns && p.Typical > 0 && p.Slow >= p.Typical }

// Ran is a completed run.
type Ran struct {
	PlannedMS, RealMS int64         // machine time
	Around            time.Duration // from the end of motion to the closed inspection
}

// PaceOf reads the pace of a machine from its last completed runs. Those without a plan to compare are left out.
func PaceOf(ran []Ran) Pace {
	var ratios []int64
	var around []time.Duration
	for _, r := range ran {
		if r.PlannedMS > 0 && r.RealMS > 0 {
			ratios = append(ratios, r.RealMS*1000/r.PlannedMS)
			around = append(around, max(0, r.Around))
		}
	}
	if len(ratios) == 0 {
		return Pace{}
	}
	slices.Sort(ratios)
	slices.Sort(around)
	// The nearest rank: the least value that so many in a hundred do not exceed.
	rank := func(percent int) int { return max(0, (len(ratios)*percent+99)/100-1) }
	return Pace{Runs: len(ratios), Typical: ratios[rank(50)], Slow: ratios[rank(90)], Around: around[rank(50)]}
}

// Left is how long the run at work holds its machine yet, as half of the runs went: moved since motion began,
// inPhase since its phase did.
func (p Pace) Left(phase Phase, takes, moved, inPhase time.Duration) time.Duration {
	p = p.orUsual()
	switch phase {
	case Purging, Inspecting:
		return max(0, p.Around-inPhase)
	}
	return max(0, permille(takes, p.Typical)-moved) + p.Around
}

func (p Pace) orUsual() Pace {
	if !p.Known() {
		return usualPace
	}
	return p
}

// What is assumed to come before a run, beside its own time, until runs of the machine tell: another sheet of the
// same lot is laid, or another lot with its checks and its focus. No source: people are told that it is assumed.
const (
	usualSameLot  = 1 * time.Minute
	usualOtherLot = 4 * time.Minute
)

// lasts is the time that a run holds the machine, laying the sheet included: as half of the runs went, and as
// nine of ten did.
func (l Lane) lasts(w Waiting, loaded uuid.UUID) (typical, slow time.Duration) {
	p := l.Pace.orUsual()
	lay, _ := l.Pace.Laying(w.Stock == loaded)
	fixed := lay + p.Around
	return fixed + permille(w.Takes, p.Typical), fixed + permille(w.Takes, p.Slow)
}

func permille(d time.Duration, of int64) time.Duration {
	return time.Duration(d.Milliseconds()*of/1000) * time.Millisecond
}
