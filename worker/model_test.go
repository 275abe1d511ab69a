package worker

import (
	"fmt"
	"maps"
	"slices"

	"github.com/google/uuid"

	"kerfgate/plan/canon"
)

// model is what must become of one machine's runs, written from the domain's rules alone and sharing
// no code with the product: whoever doubts a rule reads it here. World holds the database to it after
// each step. Times are seconds that passed.
type model struct {
	runs       []*modelRun // as they were proposed
	jobs       []*modelJob
	locked     bool // the machine is locked out
	closed     bool // restored, and the worker's journal neither heard nor written off (I14)
	untold     bool // restored, and the worker's journal not heard
	authorised bool
	profile    int // which one is in force
	count      int // sheets on the shelf
	reserved   int
}

type modelJob struct {
	id        uuid.UUID
	withdrawn bool
}

type modelRun struct {
	id         uuid.UUID
	job        *modelJob
	profile    int // that its plan was made for
	phase      string
	outcome    string
	ready      bool
	revision   int64 // of its offer
	placed     bool
	answered   bool
	second     bool         // somebody else looked on since the checklist was opened
	live       canon.Digest // permit that is out
	voided     []canon.Digest
	burned     canon.Digest // permit that was burned here
	paused     bool         // a pause token is known
	neverMoved bool
	sheetTaken bool
	openFor    int // since the checklist was last touched
	permitFor  int // since the permit was issued
}

// The phase table, written down once more by hand (own): no row of it is read from the product.
var modelMoves = map[string]map[string][2]string{
	"proposed":   {"opened": {"checking"}, "withdrawn": {"closed", "withdrawn"}, "restored": {"inspecting", "interrupted"}},
	"checking":   {"released": {"proposed"}, "signed": {"permitted"}, "withdrawn": {"closed", "withdrawn"}, "restored": {"inspecting", "interrupted"}},
	"permitted":  {"voided": {"checking"}, "burned": {"starting"}, "withdrawn": {"closed", "withdrawn"}, "interrupted": {"inspecting", "interrupted"}},
	"starting":   {"moved": {"running"}, "stopped": {"inspecting", "stopped"}, "failed": {"inspecting", "failed"}, "interrupted": {"inspecting", "interrupted"}},
	"running":    {"paused": {"paused"}, "completed": {"purging", "completed"}, "stopped": {"purging", "stopped"}, "failed": {"purging", "failed"}, "interrupted": {"purging", "interrupted"}},
	"paused":     {"resumed": {"running"}, "stopped": {"purging", "stopped"}, "failed": {"purging", "failed"}, "interrupted": {"purging", "interrupted"}},
	"purging":    {"purged": {"inspecting"}},
	"inspecting": {"inspected": {"closed"}},
	"closed":     {},
}

func (r *modelRun) can(event string) bool { return modelMoves[r.phase][event] != [2]string{} }

func (r *modelRun) move(event string) {
	to := modelMoves[r.phase][event]
	if to[0] == "" {
		panic(fmt.Sprintf("the model moves a run from %s by %s", r.phase, event))
	}
	r.phase = to[0]
	if to[1] != "" {
		r.outcome = to[1]
	}
}

func (r *modelRun) active() bool { return !r.waiting() && r.phase != "closed" }
func (r *modelRun) waiting() bool {
	return r.phase == "proposed" || r.phase == "checking"
}

// unstarted runs hold a reservation.
func (r *modelRun) unstarted() bool { return r.waiting() || r.phase == "permitted" }

func (m *model) clone() *model {
	c := *m
	c.runs, c.jobs = nil, nil
	jobs := map[*modelJob]*modelJob{}
	for _, j := range m.jobs {
		copied := *j
		jobs[j] = &copied
		c.jobs = append(c.jobs, &copied)
	}
	for _, r := range m.runs {
		copied := *r
		copied.job = jobs[r.job]
		copied.voided = slices.Clone(r.voided)
		c.runs = append(c.runs, &copied)
	}
	return &c
}

func (m *model) run(id uuid.UUID) *modelRun {
	for _, r := range m.runs {
		if r.id == id {
			return r
		}
	}
	return nil
}

func (m *model) activeRun() *modelRun {
	for _, r := range m.runs {
		if r.active() {
			return r
		}
	}
	return nil
}

// People.

func (m *model) maySubmit(copies int) bool { return m.count-m.reserved >= copies }

func (m *model) submitted(job uuid.UUID, runs []uuid.UUID) {
	j := &modelJob{id: job}
	m.jobs = append(m.jobs, j)
	m.reserved += len(runs)
	for _, id := range runs {
		m.runs = append(m.runs, &modelRun{id: id, job: j, profile: m.profile, revision: 1, phase: "proposed"})
	}
}

// mayOpen: also, nobody's turn comes before. All runs are of one member and one lot, so they go as they were proposed.
func (m *model) mayOpen(r *modelRun) bool {
	return r.can("opened") && m.authorised && !m.locked && m.before(r) == nil
}

// before is the run whose turn comes before another's; without a sheet nobody's does.
func (m *model) before(r *modelRun) *modelRun {
	for _, x := range m.runs {
		if x == r || m.count < 1 {
			return nil
		}
		if x.phase == "proposed" {
			return x
		}
	}
	return nil
}

func (m *model) opened(r *modelRun) {
	r.move("opened")
	r.placed, r.answered, r.second, r.openFor = false, false, false, 0
}

// mayCheck: whoever may not operate the machine any more sees no checklist there either.
func (m *model) mayCheck(r *modelRun) bool { return r.phase == "checking" && m.authorised }

func (m *model) released(r *modelRun) {
	r.move("released")
	r.answered = false
}

// maySign: I1, I3, I8, I10, I14.
func (m *model) maySign(r *modelRun) bool {
	return r.can("signed") && r.ready && r.placed && r.answered && m.authorised && !m.locked && !m.closed && m.activeRun() == nil && r.profile == m.profile
}

func (m *model) signed(r *modelRun, permit canon.Digest) {
	r.move("signed")
	r.live, r.permitFor = permit, 0
}

func (m *model) void(r *modelRun) {
	r.move("voided")
	r.voided = append(r.voided, r.live)
	r.live, r.answered, r.openFor = canon.Digest{}, false, 0
}

// boundChanged: whatever a sign-off binds has changed (I10), or the machine is locked out (I8).
func (m *model) boundChanged() {
	for _, r := range m.runs {
		switch r.phase {
		case "permitted":
			m.void(r)
		case "checking":
			m.released(r)
		}
	}
}

// lifted: the first run after a lockout asks for a second person, also the one that was answered for while
// the machine was locked out.
func (m *model) lifted() {
	m.locked = false
	for _, r := range m.runs {
		if r.phase == "checking" && !r.second {
			r.answered = false
		}
	}
}

// profilePublished: what waits is offered anew.
func (m *model) profilePublished(which int) {
	m.profile = which
	m.boundChanged()
	for _, r := range m.runs {
		if r.waiting() {
			r.ready = false
			r.revision++
		}
	}
}

func (m *model) stopPressed() {
	if r := m.activeRun(); r != nil && r.phase == "permitted" {
		m.void(r)
	}
}

func (m *model) withdrawn(j *modelJob) {
	j.withdrawn = true
	for _, r := range m.runs {
		if r.job == j && r.can("withdrawn") {
			if r.phase == "permitted" {
				r.voided = append(r.voided, r.live)
				r.live = canon.Digest{}
			}
			r.move("withdrawn")
			m.reserved--
		}
	}
}

func (m *model) mayResume(r *modelRun) bool {
	return r.phase == "paused" && r.paused && m.authorised && !m.locked
}

func (m *model) mayInspect(r *modelRun, fate string) bool {
	if !r.can("inspected") || !m.authorised {
		return false
	}
	if fate != "repeat" {
		return true
	}
	back := 0
	if r.sheetTaken && r.neverMoved {
		back = 1
	}
	return !r.job.withdrawn && m.count+back >= m.reserved+1
}

func (m *model) inspected(r *modelRun, fate string, flame bool, repeat uuid.UUID) {
	r.move("inspected")
	if r.sheetTaken && r.neverMoved && fate != "scrapped" {
		m.count++
	}
	if fate == "repeat" {
		m.proposeAgain(r, repeat)
		m.reserved++
	}
	if flame {
		m.locked = true
		m.boundChanged()
	}
}

func (m *model) proposeAgain(r *modelRun, id uuid.UUID) {
	m.runs = append(m.runs, &modelRun{id: id, job: r.job, profile: r.profile, revision: 1, phase: "proposed"})
}

// Time.

func (m *model) passes(seconds int) {
	for _, r := range m.runs {
		r.openFor += seconds
		r.permitFor += seconds
		if r.phase == "checking" && r.openFor > 600 {
			m.released(r)
		}
	}
	for _, r := range m.runs { // a permit that expires here leaves a checklist that was just touched
		if r.phase == "permitted" && r.permitFor > 75 {
			m.void(r)
		}
	}
}

// lines shows the model as the database is shown, for comparison. Runs are named by their place, so that
// the same history fails in the same words, whatever its ids.
func (m *model) lines() []string {
	list := []string{fmt.Sprintf("sheets %d, reserved %d, locked %v, closed %v", m.count, m.reserved, m.locked, m.closed)}
	for i, r := range m.runs {
		list = append(list, runLine(i, r.phase, r.outcome, r.ready && r.waiting(), !r.live.IsZero(), !r.burned.IsZero(), r.neverMoved))
	}
	return list
}

// place is a run's among the runs, −1 for one that must not be.
func (m *model) place(id uuid.UUID) int {
	return slices.IndexFunc(m.runs, func(r *modelRun) bool { return r.id == id })
}

func runLine(place int, phase, outcome string, ready, live, burned, neverMoved bool) string {
	text := fmt.Sprintf("run %2d %s", place, phase)
	if outcome != "" {
		text += " " + outcome
	}
	flags := map[string]bool{"ready": ready, "live permit": live, "burned": burned, "never moved": neverMoved}
	for _, flag := range slices.Sorted(maps.Keys(flags)) {
		if flags[flag] {
			text += ", " + flag
		}
	}
	return text
}
