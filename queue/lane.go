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

// What comes before a run, beside its own time: another sheet of the same lot is laid, or another lot with its
// checks and its focus. Common practice, no source.
const (
	sameLot  = 1 * time.Minute
	otherLot = 4 * time.Minute
)

// lasts is the time that a run holds the machine, laying the sheet included: as half of the runs went, and as
// nine of ten did.
func (l Lane) lasts(w Waiting, loaded uuid.UUID) (typical, slow time.Duration) {
	p := l.Pace.orUsual()
	lay := otherLot
	if w.Stock == loaded {
		lay = sameLot
	}
	fixed := lay + p.Around
	return fixed + permille(w.Takes, p.Typical), fixed + permille(w.Takes, p.Slow)
}

func permille(d time.Duration, of int64) time.Duration {
	return time.Duration(d.Milliseconds()*of/1000) * time.Millisecond
}
