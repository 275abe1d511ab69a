package web

import (
	"io"
	"time"
)

// JobView is one job with its plan and runs.
type JobView struct {
	Shell
	ID          string
	Rev         int64
	JobTitle    string
	State       string
	Member      string
	Machine     MachineView
	Tool        string
	Material    string
	Lot         string
	Copies      int64
	Due         *time.Time
	SubmittedAt time.Time
	WithdrawnAt *time.Time
	DrawingID   string
	DrawingName string
	PlanDigest  string
	Plan        *PlanView
	Runs        []RunView
	SetHref     string // empty where it belongs to no set
	SetName     string
	MayWithdraw bool
	MayRepeat   bool
	// NotBefore is when the last sheet is ready as half of the runs here went, ReadyBy as nine of ten did; nil where
	// nothing is known.
	NotBefore, ReadyBy *time.Time
	PaceRuns           int      // that these were reckoned from; 0 for too few
	Laying             string   // what laying a sheet counts
	SetForm            SetForm  // of the member, to choose from
	SetLine            *SetLine // how far the set has come that it is part of
	Place              int      // of its first waiting run in the queue, 0 for none
	Why                string   // it has that place
	Called             *time.Time
	CalledRun          string // whose member is waited for at the machine
}

// RunView is one run of a job.
type RunView struct {
	ID         string
	Number     int64
	Copy       int64
	Copies     int64
	Phase      string
	Outcome    string
	Words      string // what happened, in a sentence
	Operator   string
	StartedAt  *time.Time
	EndedAt    *time.Time
	PlannedMS  int64
	RealMS     int64
	Simulated  string // what a simulated machine shortens; empty for a real one
	PictureURL string // the machine's picture of the sheet, empty if there is none
	SheetFate  string
	Flame      bool
	Origin     string
	Gate       *Gate // with the answers, once the run was signed
	Answers    []AnswerView
}

// SetForm is what a set is chosen from.
type SetForm struct {
	Sets    []SetLine
	SetName string // of one that is to be made
}

// AnswerView is one answer of a gate's record in words, for those who cannot use the drawing.
type AnswerView struct {
	Title string
	Said  string
	Needs string
	// Numbers are what was computed, each a line as it was signed.
	Numbers []string
}

// RenderJob writes the page.
func RenderJob(w io.Writer, v JobView) error { return render(w, "job", "frame", v) }

// RenderJobMain writes the page's main part alone.
func RenderJobMain(w io.Writer, v JobView) error { return render(w, "job", "job", v) }
