package web

import (
	"io"
	"time"
)

// RenderUpkeep writes the page of work on machines that comes back.
func RenderUpkeep(w io.Writer, v UpkeepView) error { return render(w, "upkeep", "frame", v) }

// UpkeepView is that page.
type UpkeepView struct {
	Shell
	Tasks    []UpkeepRow
	MayDo    bool // operators and officers
	MaySet   bool // officers
	Machines []Choice
}

// UpkeepRow is one task.
type UpkeepRow struct {
	ID, Machine, What, Every, State, Why, LastNote, LastBy string
	Critical, Overdue, Soon                                bool
	Since                                                  time.Time
}
