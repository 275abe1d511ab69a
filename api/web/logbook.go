package web

import (
	"io"
	"time"
)

// LogbookView is a page of the logbook, newest first.
type LogbookView struct {
	Shell
	Kind     string // filter: a kind or its first word
	Machine  string
	Run      string // number
	Who      string // sign-in name of a person
	Kinds    []KindChoice
	Machines []MachineChoice
	Entries  []EntryView
	Older    string // address of the next page, empty at the end
	More     bool   // the next page may hold what this one has not: it was sought for long enough
	Size     int64
	Report   *CheckView
	// MayProve: heads, exports and checks are for those whom the policy lets.
	MayProve bool
}

// KindChoice is a filter by kind.
type KindChoice struct {
	Value  string
	Label  string
	Chosen bool
}

// MachineChoice is a filter by machine.
type MachineChoice struct {
	Value  string
	Label  string
	Chosen bool
}

// EntryView is one entry in words.
type EntryView struct {
	Index int64
	At    time.Time
	Who   string
	What  string // "checklist opened"
	Kind  string
	On    string // "run 41, Bay 2 · diode"
	More  []string
}

// CheckView is what a check of the whole logbook found.
type CheckView struct {
	Good    bool
	Found   string // what is wrong
	Checked []string
	At      time.Time
	TookMS  int64
}

// RenderLogbook writes the page.
func RenderLogbook(w io.Writer, v LogbookView) error { return render(w, "logbook", "frame", v) }

// ProofView proves one entry.
type ProofView struct {
	Shell
	Entry EntryView
	Proof string
}

// RenderProof writes the page.
func RenderProof(w io.Writer, v ProofView) error { return render(w, "proof", "frame", v) }
