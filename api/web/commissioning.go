package web

import (
	"io"
	"time"
)

// RenderCommissioning writes the page of what was measured at a machine and what is left.
func RenderCommissioning(w io.Writer, v CommissioningView) error {
	return render(w, "commissioning", "frame", v)
}

// CommissioningView is that page.
type CommissioningView struct {
	Shell
	Path     string // of the page
	Machine  MachineView
	Verdict  BeamVerdict // of the profile in force
	MayAct   bool        // officers
	Tools    []Choice    // to begin with; nil while one is open
	Open     *CommissioningOpen
	Earlier  []CommissioningPast
	Checks   string // command that looks at the set-up
	Measures string // command that measures beside the machine
}

// BeamVerdict says whether the cut-off lets a beam run.
type BeamVerdict struct {
	Runs bool
	What string
	Cure string
}

// CommissioningOpen is the one that goes on.
type CommissioningOpen struct {
	ID, Tool, BegunBy string
	BegunAt           time.Time
	Questions         []CommissioningRow
	Done              int
	Next              string // path of the first question without an answer, empty when none is left
	Changes           []CommissioningChange
	Verdict           BeamVerdict // of the profile that it would make
	No                []Reason    // why it cannot be published now
}

// CommissioningRow is one question in the list.
type CommissioningRow struct {
	Path, Text, Said, How, Who string
	At                         time.Time
	Answered, Unmeasured       bool
}

// CommissioningChange is one line of the profile, before and after.
type CommissioningChange struct{ What, Before, After string }

// CommissioningPast is one that has ended.
type CommissioningPast struct {
	Tool, By, Ended string // Ended says what became of it
	At              time.Time
	Questions       []CommissioningRow
}

// RenderCommissioningQuestion writes the page of one question.
func RenderCommissioningQuestion(w io.Writer, v CommissioningQuestionView) error {
	return render(w, "commissioning-question", "frame", v)
}

// CommissioningQuestionView is that page.
type CommissioningQuestionView struct {
	Shell
	Path, List, Before string // addresses: this page, the list, the question before (empty for the first)
	Machine            MachineView
	Tool               string
	Number, Of         int
	Text, Do, Unit     string
	Unmeasured         string // what it means to leave it
	BeamOn             bool   // it is measured with the tool on, and that is a beam
	WorkerMeasures     bool   // the worker can find it out, and WorkerMoves: the machine moves for it
	WorkerMoves        bool
	Tries              []Try // boxes for numbers; nil where words are asked
	Choices            []Ticked
	OtherWords         bool
	OtherSaid          string
	Ways               []Ticked
	OtherWay           string
	Instrument         string
	People             []Role
}

// Try is one box for a number.
type Try struct {
	Number   int
	Value    string
	Required bool
}

// Ticked is one choice of several.
type Ticked struct {
	Value  string
	Chosen bool
}
