package web

import (
	"io"
	"time"
)

// RenderIncidents writes the list of incidents.
func RenderIncidents(w io.Writer, v IncidentsView) error { return render(w, "incidents", "frame", v) }

// IncidentsView is that page.
type IncidentsView struct {
	Shell
	Incidents []IncidentRow
	Older     string
	ToDo      []FollowUpRow // of everybody for officers and admins, else one's own
	Rates     []RateRow     // officers and admins
}

// IncidentRow is one incident in the list.
type IncidentRow struct {
	ID, Kind, Machine, What, Severity, Potential, Closing string
	RunID                                                 string
	RunNumber                                             int64
	At                                                    time.Time
	Open                                                  int64
	Closed                                                bool
}

// RateRow is one month and kind.
type RateRow struct {
	Month, Kind string
	Count       int64
	Hours, Rate string // Rate is empty where no machine ran
}

// RenderReport writes the form that reports an incident.
func RenderReport(w io.Writer, v ReportView) error { return render(w, "report", "frame", v) }

// ReportView is that page.
type ReportView struct {
	Shell
	Machines        []Role
	Kinds           []Role
	Severity        []Role
	Potential       []Role
	What, Run       string
	LockOut         bool
	Station         string // name, where nobody is signed in
	Done            string // id of the incident just reported
	Signed          bool
	MedicalFirstAid bool
	Fields          []ParticularField // what else can be told at once
	FieldsOpen      bool
	BeamSheet       string // of the machine, where it is reported
}

// ParticularField is one thing asked about an incident: a text, a number, or yes.
type ParticularField struct {
	Name, Label, Hint, Value string
	Number, Yes, Ticked      bool
}

// LinkedRun is a run that an incident is about, beside the one that it was reported with.
type LinkedRun struct {
	ID, Title string
	Number    int64
}

// RenderIncident writes one incident.
func RenderIncident(w io.Writer, v IncidentView) error { return render(w, "incident", "frame", v) }

// IncidentView is that page.
type IncidentView struct {
	Shell
	IncidentRow
	Reporter    string
	ReportedAt  time.Time
	ClosedBy    string
	ClosedAt    time.Time
	Photos      []string // addresses
	Notes       []NoteRow
	FollowUps   []FollowUpRow
	Particulars []Fact // officers and admins
	Deadlines   []DeadlineRow
	MayNote     bool
	MayFollow   bool
	MayClose    bool
	NoteAbout   []string
	Remedies    []string
	People      []Choice
	Due         string
	FirstAid    bool
	Beams       []string // "445 nm, 5 W, continuous", for the doctor
	BeamSheet   string
	Linked      []LinkedRun
	Told        string        // as it was reported, where more is known now
	Clearing    *ComputedView // of the room; nil where nothing smoked
	// For officers and admins.
	Clock      string // until when the earliest report may be due
	Filled     []NoteRow
	Rev        int64
	Severities []Role
	Potentials []Role
	Fields     []ParticularField
}

// Fact is one line that was filled in.
type Fact struct{ Name, Said string }

// NoteRow is what somebody added.
type NoteRow struct {
	About, Text, By string
	At              time.Time
}

// FollowUpRow is what is to be done.
type FollowUpRow struct {
	ID, What, Remedy, Owner, Result, DoneBy string
	Incident                                string // in a list of several incidents
	Due                                     time.Time
	Done, Overdue, Mine                     bool
}

// DeadlineRow is one report to somebody outside that may be due.
type DeadlineRow struct {
	Law, What, Source string
	Until             time.Time
	AtOnce            bool
}
