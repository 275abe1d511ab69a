package web

import (
	"io"
	"time"
)

// RenderSite writes the page of the site.
func RenderSite(w io.Writer, v SiteView) error { return render(w, "site", "frame", v) }

// SiteView is the page of the site: what it is, what it lacks, how it stands.
type SiteView struct {
	Shell
	Name, Kind       string
	Settled          bool // the kind was chosen
	OpenedAt         time.Time
	Steps            []SiteStep // of a new site, empty once all are done
	Health           []SiteHealth
	ToLookAt         int   // of these
	Files, MiB, Runs int64 // what one member may hand in
	MayAdmin         bool
	MayOffice        bool
	Alone            bool // a site of one, which may name a contact
	Contact          string
}

// SiteStep is one thing that a new site needs.
type SiteStep struct {
	What, Href string
	Done       bool
}

// SiteHealth is how one part of the site stands.
type SiteHealth struct {
	What, Words, Next string
	At                time.Time // when it was looked after, zero for a state of now
	Look              bool      // somebody has to do what Next says
	Check             bool      // the logbook can be checked from here
}
