package web

import (
	"io"
	"time"
)

// RenderMachine writes the page of one machine: what it is, how true it draws, what is proven on it.
func RenderMachine(w io.Writer, v MachinePageView) error { return render(w, "machine", "frame", v) }

// MachinePageView is that page.
type MachinePageView struct {
	Shell
	Path        string // of this page
	Machine     MachineView
	MayHandle   bool // calibrate and work grids: operators of this machine and safety officers
	MayLift     bool // safety officers
	Commissions bool
	Lockout     *LockoutView
	Watch       *WatchView
	Profile     []ProfilePart
	Calibration CalibrationState
	History     []CalibrationRow
	Settings    []SettingRow
	Grids       []GridRow
	Hours       string
	Lockouts    []LockoutRow
	Tools       []Choice
	Stocks      []Choice // of the lots on the shelf
	InView      string   // the machine in one view with it, and who said so; empty for none
	Others      []Choice // machines with a beam that a safety officer may name so
	Sides       string   // how large a pattern may be
}

// ProfilePart is a heading with what the profile says under it.
type ProfilePart struct {
	Head string
	Says []Said
}

// Said is one thing in words.
type Said struct{ Name, Value string }

// CalibrationState is how the machine stands.
type CalibrationState struct {
	Word  string // "calibrated", "overdue", …
	Late  bool
	Why   string
	Due   string
	Days  int64
	Hours int64
}

// CalibrationRow is one calibration in the history.
type CalibrationRow struct {
	Href    string
	At      time.Time
	By      string
	State   string // "to be drawn", "to be measured", "to be decided", "accepted", "refused"
	Found   string // in a sentence, empty until measured
	Pending bool
}

// SettingRow is one proven setting.
type SettingRow struct {
	Material, Colour, Thickness, Tool, Operation, Setting, Dose, Kerf, Evidence string
	RunHref                                                                     string
}

// GridRow is one settings grid in the list.
type GridRow struct {
	Href, What, By, State string
	At                    time.Time
	Pending               bool
}

// LockoutRow is one lockout of the past.
type LockoutRow struct {
	Reason, By, LiftedBy, LiftedReason string
	At                                 time.Time
	LiftedAt                           *time.Time
}

// RenderCalibration writes the page of one calibration: what to measure, what was found, what to make of it.
func RenderCalibration(w io.Writer, v CalibrationView) error {
	return render(w, "calibration", "frame", v)
}

// CalibrationView is that page.
type CalibrationView struct {
	Shell
	Path, MachinePath string
	Machine           MachineView
	Rev               int64
	State             string
	Size              string
	StartedBy         string
	StartedAt         time.Time
	Run               RunLink
	Station           string // path of the station where it is drawn; empty once it is
	Picture           *PatternPicture
	MayMeasure        bool
	Distances         []DistanceRow
	UncertainMM       string
	Found             []FoundRow
	Bed, BedUncertain string // µm over the bed
	Spread            string
	Outlier           string
	Changes           []CommissioningChange
	Measured          *Stamp
	MayDecide         bool
	MayRefuse         bool
	Decided           *Stamp
	Decision, Reason  string
}

// RunLink leads to a run.
type RunLink struct {
	Number int64
	Href   string
	Words  string
}

// Stamp is who did something when.
type Stamp struct {
	By string
	At time.Time
}

// DistanceRow is a distance to be measured, with what came of it.
type DistanceRow struct {
	Name      string
	How       string // "between upright lines", …
	Nominal   string // mm
	First     string // as typed, mm
	Second    string
	Residual  string // µm, empty until measured
	Doubted   bool
	FieldName string
}

// FoundRow is one number that was found.
type FoundRow struct {
	What, Words, Value, Uncertain string
	Clear                         bool
}

// PatternPicture is the pattern in mm, y downwards, for drawing.
type PatternPicture struct {
	Width, Height string
	Lines         []string // path data
	Marks         []PatternMark
}

// PatternMark is a letter beside a mark.
type PatternMark struct{ Name, X, Y string }

// RenderSettingsGrid writes the page of one settings grid: its picture as it was worked, to choose from.
func RenderSettingsGrid(w io.Writer, v GridView) error { return render(w, "settings-grid", "frame", v) }

// GridView is that page.
type GridView struct {
	Shell
	Path, MachinePath string
	Machine           MachineView
	Rev               int64
	What              string // "cut poplar plywood, natural, 3 mm"
	MadeBy            string
	MadeAt            time.Time
	Run               RunLink
	Station           string // path, while it is to be worked
	Working           bool   // now: a flame can be told
	Flame             bool
	FlameAt           *time.Time
	MayChoose         bool
	AsksKerf          bool
	PictureURL        string
	Powers            []string
	Rows              []GridSpeed // the fastest first, as the grid lies
	Chosen            string      // in words, empty until chosen
	ChosenBy          *Stamp
}

// GridSpeed is one row of a grid.
type GridSpeed struct {
	Speed string
	Cells []GridCell
}

// GridCell is one cell of a grid.
type GridCell struct {
	Index   int
	Order   int // in which it is worked, from 1
	Setting string
	Dose    string
	State   string // "worked", "broken off", "not worked"
	Whole   bool
	Broken  bool
	Cut     bool // a square that falls out
	Chosen  bool
	// Weight is how strong the cell is among all, 1 (weakest) to 5.
	Weight int
}
