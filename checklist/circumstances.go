package checklist

import "time"

// Circumstances are what surrounds one run besides machine, material and lot: what its plan does, what its
// machine went through.
type Circumstances struct {
	// Counted says that the plan's work below was kept; a plan made before it was is judged as if it had hot
	// spots.
	Counted   bool
	HotSpots  int64 // places where too much energy meets in too short a time
	CutUM     int64 // lengths of the plan's lines by operation, in micrometres
	MarkUM    int64
	EngraveUM int64
	// New: nothing with evidence is proven for this material with this tool on this machine, and no run in it
	// has come to its end.
	New bool
	// LiftedAt is when the machine's last lockout was lifted, if no run has started since; zero else. Flame or
	// glow at an inspection always locks out.
	LiftedAt time.Time
	// FilterRan is how long the machine ran since its filter was put in.
	FilterRan time.Duration
	// Alone: one person holds every role of the site.
	Alone bool
	// Contact is whom a site of one tells of a start; empty where it names nobody.
	Contact string
	// Second is the name of the person who stands by, once they signed in for it.
	Second string
}
