package web

import (
	"io"
	"time"
)

// RenderPeople writes the page of who may run what until when.
func RenderPeople(w io.Writer, v PeopleView) error { return render(w, "people", "frame", v) }

// PeopleView is that page.
type PeopleView struct {
	Shell
	People      []PersonRow
	Next        string // address of the next page, empty for none
	MayInvite   bool
	Roles       []Role
	Invitations []InvitationRow
	Link        string // of the invitation just made, told this once
	LinkFor     string
}

// PersonRow is one person in the list.
type PersonRow struct {
	ID, Name, SignIn, Role string
	Closed                 bool
	Authorisations         []AuthorisationRow
}

// AuthorisationRow is what somebody may run.
type AuthorisationRow struct {
	ID, Machine, Evidence, GrantedBy string
	GrantedAt, Until                 time.Time
	IdleMonths                       int64
	Groups                           string // of materials, in words; empty for every material
	Soon                             string // "ends in 12 days", empty where it is far
}

// InvitationRow is a link that waits.
type InvitationRow struct {
	ID, Name, Role string
	Until          time.Time
	Password       bool // for a new password of an account that exists
}

// Role is one role to choose.
type Role struct {
	Value, Label string
	Chosen       bool
}

// RenderPerson writes one person's page.
func RenderPerson(w io.Writer, v PersonView) error { return render(w, "person", "frame", v) }

// PersonView is that page.
type PersonView struct {
	Shell
	PersonRow
	Rev       int64
	AddedAt   time.Time
	Erased    *time.Time
	MayChange bool // admins
	Roles     []Role
	Machines  []Choice
	Groups    []string // of materials, to choose from
	Until     string   // a year from now, for the form
	Link      string
}

// Choice is one entry of a list to choose from.
type Choice struct{ Value, Label string }

// RenderMe writes the page of one's own account.
func RenderMe(w io.Writer, v MeView) error { return render(w, "me", "frame", v) }

// MeView is that page.
type MeView struct {
	Shell
	SignIn         string
	Role           string
	Authorisations []AuthorisationRow
	HasPIN         bool
	Passkeys       PasskeysView
	Sessions       []SessionRow
	Token          string // just made, told this once
	Until          string // half a year from now, for the form
}

// SessionRow is where one is signed in, or a token of a program.
type SessionRow struct {
	ID, What           string
	Since, Used, Until time.Time
	Here               bool
}

// RenderJoin writes the page that an invitation opens.
func RenderJoin(w io.Writer, v JoinView) error { return render(w, "join", "frame", v) }

// JoinView is that page; Done is set once the account is there.
type JoinView struct {
	Shell
	Site, Name, SignIn string
	Path               string
	Password           bool // only a new password is chosen
	Done               bool
	MinPassword        int
}
