package web

import (
	"html/template"
	"io"
	"time"
)

// StationsView lists the machines.
type StationsView struct {
	Shell
	Lanes       []LaneView
	Machines    bool // who reads may see the machines' pages
	Commissions bool // who reads may see what was measured at the machines
	Eyewear     bool // who reads may see the register of eyewear
}

// StationView is the page that stands at one machine.
type StationView struct {
	Shell
	Machine   MachineView
	WorkerURL string
	Lockout   *LockoutView
	Late      string // that the calibration is overdue; empty where it is not
	Watch     *WatchView
	Run       *StationRun // nil when nothing waits
	Queue     []Ticket
	AwayS     int  // after so many seconds out of sight the page signs out whoever signed in at this station; 0 for never
	Eyewear   bool // a beam: eyewear stays on until its supply is off
}

// StationRun is the run that the station deals with: the active one, else the next.
type StationRun struct {
	ID       string
	Number   int64
	JobTitle string
	Copy     int64
	Copies   int64
	Member   string
	Phase    string
	Outcome  string
	Reason   string
	Since    time.Time
	Operator string
	Mine     bool // the person signed in has the checklist, or attends
	MayOpen  bool // the person signed in may open the checklist
	// PausedUntil is when a paused run ends as stopped; AsksEyes says that resuming asks for glow and eyewear.
	PausedUntil time.Time
	AsksEyes    bool
	// GoesOn says how a paused run goes on, and what of it may show.
	GoesOn   string
	Operates bool // the person signed in is authorised for this machine
	// What stands in the queue of it, while it waits.
	Why    string
	Called *time.Time
	Absent bool
	Swaps  []Choice // lots that it may be swapped to

	// The sheet to load.
	Material  string
	Colour    string
	Thickness string // "3 mm, caliper 2.8 to 3.2 mm", the last two in one line
	Lot       string
	SheetSize string
	Picture   template.HTML

	// The plan.
	TotalMS  int64
	ToolOnMS int64
	OnWord   string // "beam on", "pen down"
	Order    []string
	Pieces   string
	Extents  string
	Warnings []Reason

	// Placing.
	Placed  *PlacedView
	Placing *PlacingView // for the operator who has the checklist

	// The gate.
	Gate    Gate
	Bars    []StationBar
	Reasons []Reason
	Settled bool // all bars are up and nothing else says no

	Reading      *ReadingView
	AttendEveryS int64
	AttendGraceS int64
	PurgeS       int64
}

// MaySwap says whether the person signed in may swap the lot now.
func (r StationRun) MaySwap() bool {
	return r.Operates && (r.Phase == "proposed" || r.Phase == "checking" && r.Mine)
}

// MayTakeOver says whether the person signed in may take attendance over.
func (r StationRun) MayTakeOver() bool {
	switch r.Phase {
	case "starting", "running", "paused", "purging":
		return r.Operates && !r.Mine && r.AttendEveryS > 0
	}
	return false
}

// Down counts the bars that are down.
func (r StationRun) Down() int { return r.Gate.Down() }

// Shows says which of the station's panels belongs to the run's phase.
func (r StationRun) Shows() string {
	switch r.Phase {
	case "starting", "running", "paused":
		return "run"
	case "purging", "inspecting":
		return "after"
	}
	return r.Phase
}

// PlacedView is where the plan lies on the bed.
type PlacedView struct {
	X, Y  string // mm
	Homed bool
	By    string
	At    time.Time
}

// StationBar is one item of the gate with the fields to answer it.
type StationBar struct {
	GateBar
	Ask      string
	Needs    string
	Next     string
	Answered bool
	Numbers  []ComputedView
	Open     bool // its fields are shown
	Fields   []FieldView
	// AskYes is the yes-or-no field that its own buttons answer; nil where there is none.
	AskYes *FieldView
	// Held: this person answered here within the four hours, so what to look at is folded. Brief then says what is
	// left, where the bar has no number to show.
	Held  bool
	Brief string
	// Unfit are the registered pairs that this beam must not be met with, each with why.
	Unfit []PairView
	// Second replaces the fields where somebody else signs in for the bar; nil elsewhere.
	Second *SecondView
}

// ComputedView is one quantity that was computed behind a bar.
type ComputedView struct {
	Title, Shown, WhyNot, Formula, Origin string
	Inputs                                []string // "wavelength_nm 445"
	Notes                                 []string
}

// FieldView is one value to give.
type FieldView struct {
	ID      string // unique in the page
	Key     string
	Title   string
	Kind    string // text, number, month, choice, yes
	Unit    string
	Value   string
	Choices []string
	// Holds is true where Value stands from an earlier run of this operator: it is shown as that and
	// asked again only by those who want to read it again.
	Holds    bool
	Optional bool
	// Pairs are the registered pairs to choose from where the field asks for one.
	Pairs []PairView
}

// Again is the field asked once more, with nothing filled in.
func (f FieldView) Again() FieldView {
	f.Holds, f.Optional, f.Value = false, true, ""
	return f
}

// ReadingView is the newest glance at the running machine.
type ReadingView struct {
	DoneMS, TotalMS, LeftMS int64
	ToolOn                  bool
	CountdownS              int64
	AttendanceS             int64
	PurgeS                  int64
	Problem                 string
}

// RenderStations writes the list of stations.
func RenderStations(w io.Writer, v StationsView) error { return render(w, "stations", "frame", v) }

// RenderStation writes the page of one station.
func RenderStation(w io.Writer, v StationView) error { return render(w, "station", "station-frame", v) }

// RenderStationMain writes the part of a station's page that changes.
func RenderStationMain(w io.Writer, v StationView) error { return render(w, "station", "main", v) }

// OffAsk asks at the inspection whether the tool's energy is gone.
func (r StationRun) OffAsk() string {
	if r.OnWord == penDown {
		return "Is the pen off the sheet?"
	}
	return "Is the beam supply off?"
}

// What a tool that is on is called.
const (
	beamOn  = "beam on"
	penDown = "pen down"
)

// OnWord is what a tool of that kind does while it is on.
func OnWord(beam bool) string {
	if beam {
		return beamOn
	}
	return penDown
}
