package web

import (
	"io"
	"time"
)

// BoardView is the board: one lane a machine.
type BoardView struct {
	Shell
	Lanes    []LaneView
	Notices  []BoardNotice // for whoever is signed in
	MoreEnds int           // further authorisations that end soon
}

// BoardNotice is what whoever opens the board should see to.
type BoardNotice struct{ What, Href string }

// LaneView is one machine with what comes down its lane.
type LaneView struct {
	Machine   MachineView
	Lockout   *LockoutView
	Late      string // "Calibration overdue: …"; empty where it is not
	Watch     *WatchView
	Queue     []Ticket // the next run first
	More      int      // runs that wait behind those of Queue
	Gate      Gate
	GateWords string // under the drawing: "2 bars down", "open for run 40"
	Now       *NowView
}

// MachineView names a machine.
type MachineView struct {
	ID        string
	Bay       string
	Name      string
	Carries   string // "beam 445 nm, open", "pen"
	Beam      bool   // the tool on the carriage is a beam
	Simulated string // "simulated: motion 10×, purge and watch 60×"; empty for a real machine
}

// Label is what people call a machine.
func (m MachineView) Label() string {
	if m.Bay == "" {
		return m.Name
	}
	return m.Bay + " · " + m.Name
}

// LockoutView says why a machine is out of use.
type LockoutView struct {
	Reason string
	By     string
	Since  time.Time
}

// Ticket is one run in the queue.
type Ticket struct {
	ID        string
	Number    int64
	Title     string
	Copy      int64
	Copies    int64
	Who       string
	Mine      bool
	Href      string     // to the job, where the person signed in may see it
	NotBefore *time.Time // when its piece may be ready at the earliest, nil where nothing is known
	TakesMS   int64
	Waiting   string // why it cannot go next: "waits for the machine"; empty where it can
	AtGate    bool
	// Of the queue: why it has its place, and when it is expected.
	Reason  string
	Start   *time.Time // nil where nothing can start
	ReadyBy *time.Time // as nine of ten runs here went
	Due     *time.Time
	Late    bool       // its due time is not kept as things stand
	Called  *time.Time // its member was called, and has not come yet
	Absent  bool       // for too long
}

// NowView is what goes on beyond the gate, or at it.
type NowView struct {
	Phase    string // the run's phase
	Head     string // "drawer front, plywood 3 mm"
	Words    string // "attended by Tove L."
	DoneMS   int64
	TotalMS  int64
	LeftMS   int64
	HasLeft  bool // there is a time left to show
	LeftText string
	Then     string // what comes after
}

// RenderBoard writes the board.
func RenderBoard(w io.Writer, v BoardView) error { return render(w, "board", "frame", v) }

// RenderLanes writes the lanes alone, for a board that is open.
func RenderLanes(w io.Writer, v BoardView) error { return render(w, "board", "lanes", v) }

// BoardTickets is how many waiting runs the board shows of a lane.
const BoardTickets = 3
