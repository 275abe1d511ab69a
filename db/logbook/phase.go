package logbook

import "slices"

// The phases of a run, as the body fields FieldFrom and FieldTo name them.
const (
	phaseProposed   = "proposed"
	phaseChecking   = "checking"
	phasePermitted  = "permitted"
	phaseStarting   = "starting"
	phaseRunning    = "running"
	phasePaused     = "paused"
	phasePurging    = "purging"
	phaseInspecting = "inspecting"
	phaseClosed     = "closed"
)

// RunMove is one row of the phase table that Check holds run entries to.
type RunMove struct {
	From, To string
	Kind     Kind
	Outcome  string // what the move decides; empty if it decides nothing
}

// A check that shares no code with what wrote the log needs its own table; the
// server's tests compare it with the one that the server goes by.
var runMoves = []RunMove{
	{phaseProposed, phaseChecking, RunOpened, ""},
	{phaseChecking, phaseProposed, RunReleased, ""},
	{phaseChecking, phasePermitted, RunSigned, ""},
	{phasePermitted, phaseChecking, RunVoided, ""},
	{phasePermitted, phaseStarting, RunBurned, ""},
	{phaseStarting, phaseRunning, RunMoved, ""},
	{phaseStarting, phaseInspecting, RunStopped, "stopped"},
	{phaseStarting, phaseInspecting, RunFailed, "failed"},
	{phaseStarting, phaseInspecting, RunInterrupted, "interrupted"},
	{phaseRunning, phasePaused, RunPaused, ""},
	{phasePaused, phaseRunning, RunResumed, ""},
	{phaseRunning, phasePurging, RunCompleted, "completed"},
	{phaseRunning, phasePurging, RunStopped, "stopped"},
	{phasePaused, phasePurging, RunStopped, "stopped"},
	{phaseRunning, phasePurging, RunFailed, "failed"},
	{phasePaused, phasePurging, RunFailed, "failed"},
	{phaseRunning, phasePurging, RunInterrupted, "interrupted"},
	{phasePaused, phasePurging, RunInterrupted, "interrupted"},
	{phasePurging, phaseInspecting, RunPurged, ""},
	{phaseInspecting, phaseClosed, RunInspected, ""},
	{phaseProposed, phaseClosed, RunWithdrawn, "withdrawn"},
	{phaseChecking, phaseClosed, RunWithdrawn, "withdrawn"},
	{phasePermitted, phaseClosed, RunWithdrawn, "withdrawn"},
	{phasePermitted, phaseInspecting, RunInterrupted, "interrupted"},
	{phaseProposed, phaseInspecting, RunRestored, "interrupted"},
	{phaseChecking, phaseInspecting, RunRestored, "interrupted"},
}

// RunMoves returns the phase table that Check holds run entries to, without the
// stops that change nothing.
func RunMoves() []RunMove { return slices.Clone(runMoves) }

var movingKinds = func() map[Kind]bool {
	moving := map[Kind]bool{}
	for _, m := range runMoves {
		moving[m.Kind] = true
	}
	return moving
}()

// movesRun reports whether entries of kind k tell a phase change.
func (k Kind) movesRun() bool { return movingKinds[k] }

// findMove returns the row of the table for k from one phase to another. A stop
// that comes before a start or after the end of motion changes nothing and is
// logged all the same.
func findMove(k Kind, from, to string) (RunMove, bool) {
	for _, m := range runMoves {
		if m.Kind == k && m.From == from && m.To == to {
			return m, true
		}
	}
	if k == RunStopped && from == to {
		switch from {
		case phaseProposed, phaseChecking, phasePurging, phaseInspecting:
			return RunMove{From: from, To: to, Kind: k}, true
		}
	}
	return RunMove{}, false
}

// activePhase reports whether a run in that phase occupies its machine (I3).
func activePhase(phase string) bool {
	switch phase {
	case phasePermitted, phaseStarting, phaseRunning, phasePaused, phasePurging, phaseInspecting:
		return true
	}
	return false
}

// phaseNamed is the phase of that name, which is not copied where there is one.
func phaseNamed(name []byte) string {
	switch string(name) {
	case phaseProposed:
		return phaseProposed
	case phaseChecking:
		return phaseChecking
	case phasePermitted:
		return phasePermitted
	case phaseStarting:
		return phaseStarting
	case phaseRunning:
		return phaseRunning
	case phasePaused:
		return phasePaused
	case phasePurging:
		return phasePurging
	case phaseInspecting:
		return phaseInspecting
	case phaseClosed:
		return phaseClosed
	}
	return string(name)
}
