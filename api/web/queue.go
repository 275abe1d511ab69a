package web

import "io"

// QueueView is the page of a machine's queue.
type QueueView struct {
	Shell
	Machine MachineView
	Lockout *LockoutView
	Places  []QueuePlace
	More    int  // that wait behind them
	MayTake bool // an operator of this machine
	// What the times are reckoned from; PaceRuns is 0 for too few runs.
	PaceRuns                    int
	Laying                      string // what laying a sheet counts
	TypicalPercent, SlowPercent int64
}

// QueuePlace is one waiting run.
type QueuePlace struct {
	Ticket
	Next  bool // it goes next
	Taken bool // ahead of its turn
}

// RenderQueue writes the page.
func RenderQueue(w io.Writer, v QueueView) error { return render(w, "queue", "frame", v) }
