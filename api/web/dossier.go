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
	Machine                                           MachineView
	Plan                                              *PlanView
	Estimate                                          []ComputedView // of the fume in the air, for officers alone
	SignedAt                                          time.Time
	Authorisation                                     *AuthorisationRow
	Upkeep                                            []UpkeepThen
	Lockouts                                          []LockoutThen
	Watches                                           []WatchThen
	Incidents                                         []IncidentRow
	Entries                                           []EntryView
	Head                                              string // the proof of the newest entry, with the signed head
	Data                                              string // address of the same as data
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
}
