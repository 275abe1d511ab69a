package web

import (
	"io"
	"time"
)

// RenderHistory writes the page of what ran.
func RenderHistory(w io.Writer, v HistoryView) error { return render(w, "history", "frame", v) }

// HistoryView is that page.
type HistoryView struct {
	Shell
	All       bool // everybody's runs, not only one's own
	Runs      []OverRow
	Machines  []Role // to choose from, as the filter stands
	Outcomes  []Role
	Materials []Role
	Who       string // sign-in name, where everybody's runs are shown
	From, To  string // days
	Picked    bool   // something was chosen, so that other runs may be left out
	Older     string // address of the next page, empty for none
	CSV       string // addresses of the same runs as files
	Lines     string
}

// OverRow is one run that is over.
type OverRow struct {
	ID, Title, Machine, Member, Operator, Outcome, Reason string
	Stock                                                 string // material and lot
	Number, Copy, Copies                                  int64
	EndedAt                                               time.Time
	PlannedMS, RealMS                                     int64
	NeverMoved, Flame                                     bool
}

// RenderRun writes the page of one run.
func RenderRun(w io.Writer, v RunPageView) error { return render(w, "run", "frame", v) }

// RunPageView is that page.
type RunPageView struct {
	Shell
	RunView
	JobID, JobTitle, Member string
	Machine                 MachineView
	Tool, Material, Lot     string
	Plan                    *PlanView
	ReadsLog                bool
}
