package web

import (
	"io"
	"time"
)

// WatchView is a fire watch.
type WatchView struct {
	Path    string // of its page
	By      string
	Until   time.Time // if looks are taken in time from now on
	Due     time.Time // of the next look
	Seen    time.Time // of the last
	Mine    bool      // the person signed in keeps it
	Over    bool      // only the last look is left
	Missed  bool      // a look was due and not taken
	Running bool      // a run is attended there, which is watching
}

// RenderWatch writes the page of a machine's fire watch.
func RenderWatch(w io.Writer, v WatchPageView) error { return render(w, "watch", "frame", v) }

// WatchPageView is that page.
type WatchPageView struct {
	Shell
	Machine MachineView
	Watch   *WatchView // nil where none runs
	MayKeep bool       // who reads may look and take over
	Looks   []LookView
	Edition string // what the site follows
	MaySet  bool   // who reads may choose another
}

// LookView is one look that was taken.
type LookView struct {
	At   time.Time
	By   string
	Fire bool
}

// RenderFireWatch writes the page on which the edition is chosen.
func RenderFireWatch(w io.Writer, v FireWatchView) error { return render(w, "fire-watch", "frame", v) }

// FireWatchView is that page.
type FireWatchView struct {
	Shell
	Editions []EditionRow
	Chosen   string // its name, empty until one is
	MayAct   bool   // officers
}

// EditionRow is one edition to choose.
type EditionRow struct {
	Key, Name, Words string
	Minutes          int64
	Chosen           bool
}
