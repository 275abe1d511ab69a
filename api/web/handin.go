package web

import (
	"html/template"
	"io"
	"time"
)

// HandInView is the page on which a member hands in a drawing.
type HandInView struct {
	Shell
	// What can be chosen.
	Tools     []ToolChoice
	Materials []MaterialChoice
	// What was chosen.
	Tool  string // machine id, a stroke, tool name
	Stock string
	// Drawing is set once a file has been received.
	DrawingID   string
	DrawingName string
	DrawingSize string
	Groups      []GroupView
	Usual       []NumberChoice // what everybody may want
	More        []ChoiceSet
	MoreOpen    bool
	Halftones   []HalftoneChoice // of groups that hold pictures or areas
	AsDrawn     bool             // cut lines stay where they are drawn
	Plan        *PlanView
	JobTitle    string
	Copies      int64
	MaxCopies   int64  // the most that one job may ask for
	Due         string // as a local date and time field gives it
	Drafts      []DraftView
	Sets        []SetLine // the member's newest
	SetName     string    // of a set that is to be made
	MaxFiles    int       // at once
	Ready       ReadyView // where there is a plan
}

// ReadyView is when a job would be ready that is handed in now.
type ReadyView struct {
	Now                       time.Time
	Copies                    int64
	Place                     int    // of its first sheet
	Why                       string // it stands there
	Start, NotBefore, ReadyBy *time.Time
	Due                       *time.Time
	Late, Tight               bool // after the due time as half of the runs here went, as nine of ten did
	PaceRuns                  int  // that these were reckoned from; 0 for too few
	Laying                    string
	LockedOut                 bool
	TooLong                   bool // so much waits that nothing is reckoned
}

// RenderReady writes that part of the page.
func RenderReady(w io.Writer, v ReadyView) error { return render(w, "hand-in", "ready", v) }

// ToolChoice is one tool of one machine.
type ToolChoice struct {
	Value   string
	Label   string
	Chosen  bool
	Note    string // "locked out"
	Forbids bool   // cannot be chosen
}

// MaterialChoice is one material with its lots.
type MaterialChoice struct {
	Name    string
	Verdict string
	Stock   []StockChoice
}

// StockChoice is one lot on the shelf.
type StockChoice struct {
	Value   string
	Label   string
	Chosen  bool
	Forbids bool
}

// GroupView is one of the drawing's own groups.
type GroupView struct {
	Letter  string
	Words   string // "layer “holes”, line #1c1a17, 12 shapes, 480 mm"
	Colour  string // #rrggbb of its line, empty for none; it describes and means nothing
	Choices []OperationChoice
	// Pictures: it holds pictures and no lines.
	Pictures bool
}

// OperationChoice is an operation that a group can be given.
type OperationChoice struct {
	Value  string
	Chosen bool
}

// ChoiceSet are choices about one thing, behind a summary until somebody opens it.
type ChoiceSet struct {
	Name, Words string
	Open        bool // something of it was chosen
	Fields      []NumberChoice
	Kerf        bool // cut lines as drawn can be chosen here
}

// HalftoneChoice says how the greys of a group's pictures become dots.
type HalftoneChoice struct {
	Letter string
	Chosen string // empty for the usual one
	Kinds  []string
}

// NumberChoice is a number that may be chosen; an empty value means that none was.
type NumberChoice struct {
	Name  string
	Label string
	Unit  string // empty for a count
	Hint  string // what happens where none is chosen
	Value string
}

// PlanView is a plan as people read it.
type PlanView struct {
	Digest   string
	Short    string
	Planner  string
	Picture  template.HTML
	Strip    template.HTML // of what comes loose, in order; may be empty
	Steps    string        // address of the steps through it; empty where the page is not played
	Long     bool          // it takes so long that nobody would watch it at ten times the pace
	Numbers  []NumberView
	Warnings []Reason
	Pieces   string
	Legend   []LegendView
}

// NumberView is one computed number; it opens to show what it was computed from.
type NumberView struct {
	Name   string
	Value  string
	Inputs []string
}

// LegendView explains one line of the picture.
type LegendView struct {
	Operation string
	Words     string
}

// RenderHandIn writes the page.
func RenderHandIn(w io.Writer, v HandInView) error { return render(w, "hand-in", "frame", v) }

// RenderHandInForm writes the page's main part alone.
func RenderHandInForm(w io.Writer, v HandInView) error { return render(w, "hand-in", "inner", v) }
