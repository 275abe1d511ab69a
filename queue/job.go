package queue

// JobState is where a job stands; it is derived from its plan and runs, never stored.
type JobState string

// The states of a job.
const (
	JobReceived   JobState = "received"
	JobPlanned    JobState = "planned"
	JobRefused    JobState = "refused"
	JobQueued     JobState = "queued"
	JobHeld       JobState = "held"
	JobInProgress JobState = "in progress"
	JobDone       JobState = "done"
	JobWithdrawn  JobState = "withdrawn"
)

// JobFacts is what a job's state is derived from.
type JobFacts struct {
	Planned   bool
	Refused   bool
	Withdrawn bool
	// Held is true while its machine is locked out.
	Held bool
	// Copies is how many pieces of work were asked for.
	Copies int64
	Runs   []RunFact
}

// RunFact is one run of the job.
type RunFact struct {
	Phase   Phase
	Outcome Outcome
	// Kept is true when the inspection kept the sheet of a completed run.
	Kept bool
}

// State derives the job's state. A job is done when every copy has a completed run whose sheet was
// kept, or when no run is left to do.
func (f JobFacts) State() JobState {
	switch {
	case f.Withdrawn:
		return JobWithdrawn
	case f.Refused:
		return JobRefused
	case !f.Planned:
		return JobReceived
	case len(f.Runs) == 0:
		return JobPlanned
	}
	open, active := 0, 0
	for _, r := range f.Runs {
		if r.Phase.Active() {
			active++
		}
		if r.Phase != Closed {
			open++
		}
	}
	switch {
	case open == 0:
		return JobDone
	case active > 0:
		return JobInProgress
	case f.Held:
		return JobHeld
	}
	return JobQueued
}
