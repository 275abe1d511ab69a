package web

import (
	"io"
	"time"
)

// SetLine is a set of jobs with how far it has come.
type SetLine struct {
	ID      string
	Name    string
	Jobs    int64
	Sheets  int64 // copies of all its jobs
	Done    int64
	Waiting int64
	GivenUp int64 // neither done nor waiting
	Chosen  bool  // where one is chosen
}

// SetView is one set with its jobs.
type SetView struct {
	Shell
	SetLine
	Member string
	Mine   bool
	MadeAt time.Time
	Jobs   []SetJob
}

// SetJob is one job of a set.
type SetJob struct {
	Href    string
	Title   string
	State   string
	Sheet   string // what it is cut from
	Machine string
	Copies  int64
	Done    int64
}

// DraftView is a drawing that is not handed in yet.
type DraftView struct {
	Drawing string
	Name    string
	File    string
	Href    string
	Planned bool
	Set     string // name of its set; empty for none
	KeptAt  time.Time
}

// RenderSet writes the page.
func RenderSet(w io.Writer, v SetView) error { return render(w, "set", "frame", v) }
