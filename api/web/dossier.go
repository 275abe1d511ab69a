package web

import (
	"io"
	"time"
)

// RenderDossier writes everything that is kept about one run, for paper.
func RenderDossier(w io.Writer, v DossierView) error { return render(w, "dossier", "frame", v) }

// DossierView is that page.
type DossierView struct {
	Shell
	RunView
	JobTitle, Member, Tool, Material, Lot, PlanDigest string
	DrawingID, ProfileDigest                          string
	Machine                                           MachineView
	Plan                                              *PlanView
	Estimate                                          []ComputedView // of the fume in the air, for officers alone
	SignedAt                                          time.Time
	Authorisation                                     *AuthorisationRow
	WithdrawnAt                                       *time.Time // the authorisation, since
	Upkeep                                            []UpkeepThen
	Lockouts                                          []LockoutThen
	Watches                                           []WatchThen
	Incidents                                         []IncidentThen
	Photos                                            []PhotoThen
	Entries                                           []EntryView
	Proof                                             string // of the newest entry
	Head                                              *Head
	Data, PDF                                         string // addresses of the same as files
}

// UpkeepThen is work on the machine and when it had been done last before the run.
type UpkeepThen struct {
	What, By, Note string
	Critical       bool
	DoneAt         *time.Time
}

// LockoutThen is a lockout of those days.
type LockoutThen struct {
	Reason, SetBy, LiftedBy, LiftedReason string
	SetAt                                 time.Time
	LiftedAt                              *time.Time
}

// WatchThen is a fire watch of the run.
type WatchThen struct {
	Watcher         string
	OpenedAt, Until time.Time
	ClosedAt        *time.Time
	Looks           []LookView
}

// IncidentThen is an incident of the run with what was added to it.
type IncidentThen struct {
	IncidentRow
	Particulars []Fact
	Notes       []NoteRow
	FollowUps   []FollowUpRow
}

// PhotoThen is a photo that belongs to the run.
type PhotoThen struct {
	Path string
	At   time.Time
}
