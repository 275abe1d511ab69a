package api

import (
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan/material"
)

// expiresSoon is how long before its end an authorisation is marked.
const expiresSoon = 30 * 24 * time.Hour

// peoplePage is GET /people.
func (s *Server) peoplePage(c echo.Context) error {
	return s.sendPeople(c, http.StatusOK, func(*web.PeopleView) {})
}

// sendPeople sends the list of people, with what the last act did to it.
func (s *Server) sendPeople(c echo.Context, status int, with func(*web.PeopleView)) error {
	ctx := c.Request().Context()
	who, _ := personOf(c)
	after := uuid.Nil
	if text := c.QueryParam("after"); text != "" {
		var err error
		if after, err = uuid.Parse(text); err != nil {
			return db.ErrNotFound
		}
	}
	const limit = 100
	people, err := s.store.Accounts(ctx, after, limit)
	if err != nil {
		return err
	}
	v := web.PeopleView{Shell: s.shell(c, "People", "/people"), MayInvite: who.Person.Role.Admin()}
	for _, a := range people {
		v.People = append(v.People, s.personRow(a))
	}
	if len(people) == limit {
		v.Next = "/people?after=" + people[limit-1].ID.String()
	}
	if v.MayInvite {
		if v.Roles, err = s.roles(c, db.RoleMember); err != nil {
			return err
		}
		waiting, err := s.store.Invitations(ctx)
		if err != nil {
			return err
		}
		for _, i := range waiting {
			v.Invitations = append(v.Invitations, web.InvitationRow{ID: i.ID.String(), Name: i.Name, Role: roleWords[i.Role], Until: s.local(i.ExpiresAt), Password: i.Person != uuid.Nil})
		}
	}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderPeople(w, v) })
}

// roleWords are the roles as people read them.
var roleWords = map[db.Role]string{db.RoleMember: "member", db.RoleOfficer: "safety officer", db.RoleAdmin: "admin", db.RoleAll: "every role"}

// roles lists the roles that an account of this site may have.
func (s *Server) roles(c echo.Context, chosen db.Role) ([]web.Role, error) {
	site, err := s.store.Site(c.Request().Context())
	if err != nil {
		return nil, err
	}
	all := []db.Role{db.RoleMember, db.RoleOfficer, db.RoleAdmin}
	if site.Kind == db.SiteAlone {
		all = append(all, db.RoleAll)
	}
	var list []web.Role
	for _, r := range all {
		list = append(list, web.Role{Value: string(r), Label: roleWords[r], Chosen: r == chosen})
	}
	return list, nil
}

func (s *Server) personRow(a db.Account) web.PersonRow {
	return web.PersonRow{ID: a.ID.String(), Name: a.Name, SignIn: a.SignInName, Role: roleWords[a.Role], Closed: a.Disabled,
		Authorisations: s.authorisationRows(a.Authorisations)}
}

func (s *Server) authorisationRows(held []db.Authorisation) []web.AuthorisationRow {
	var rows []web.AuthorisationRow
	for _, a := range held {
		row := web.AuthorisationRow{ID: a.ID.String(), Machine: a.MachineName, Evidence: a.Evidence, GrantedBy: a.GrantedBy,
			GrantedAt: s.local(a.GrantedAt), Until: s.local(a.ExpiresAt), IdleMonths: a.IdleMonths, Groups: checklist.GroupWords(a.Groups)}
		if left := a.ExpiresAt.Sub(s.now()); left < expiresSoon {
			row.Soon = "ends in " + web.Count(int(left/(24*time.Hour))+1, "day", "days")
		}
		rows = append(rows, row)
	}
	return rows
}

// inviteForm is POST /people/invite.
func (s *Server) inviteForm(c echo.Context) error {
	made, path, err := NewInvitation(c.Request().Context(), s.store, actorIn(c.Request().Context()),
		db.Invitation{Name: c.FormValue("name"), Role: db.Role(c.FormValue("role"))})
	if err != nil {
		p, shown := s.refusedForm(c, err)
		if !shown {
			return err
		}
		return s.sendPeople(c, p.status, func(v *web.PeopleView) { v.Problem = pageReasons(p) })
	}
	return s.sendPeople(c, http.StatusOK, func(v *web.PeopleView) { v.Link, v.LinkFor = s.cfg.Origin+path, made.Name })
}

// withdrawInvitationForm is POST /people/invite/:id/withdraw.
func (s *Server) withdrawInvitationForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	if err := s.store.WithdrawInvitation(c.Request().Context(), actorIn(c.Request().Context()), id); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/people")
}

// personPage is GET /people/:id.
func (s *Server) personPage(c echo.Context) error {
	return s.sendPerson(c, http.StatusOK, func(*web.PersonView) {})
}

func (s *Server) sendPerson(c echo.Context, status int, with func(*web.PersonView)) error {
	ctx := c.Request().Context()
	a, err := named(c, s.store.Account)
	if err != nil {
		return err
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.PersonView{Shell: s.shell(c, a.Name, "/people"), PersonRow: s.personRow(a), Rev: a.Rev, AddedAt: s.local(a.AddedAt),
		Erased: s.localOrNil(a.ErasedAt), MayChange: who.Person.Role.Admin(), Until: s.local(s.now()).AddDate(1, 0, 0).Format(time.DateOnly)}
	for _, m := range machines {
		v.Machines = append(v.Machines, web.Choice{Value: m.ID.String(), Label: m.Bay + ", " + m.Name})
	}
	for _, g := range material.Groups() {
		v.Groups = append(v.Groups, string(g))
	}
	if v.Roles, err = s.roles(c, a.Role); err != nil {
		return err
	}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderPerson(w, v) })
}

// changedPerson answers a form of a person's page: the page with the refusal, or the page anew.
func (s *Server) changedPerson(c echo.Context, err error) error {
	return s.afterForm(c, err, "/people/"+c.Param("id"), func(status int, problem *web.Problem) error {
		return s.sendPerson(c, status, func(v *web.PersonView) { v.Problem = problem })
	})
}

// personForm is POST /people/:id.
func (s *Server) personForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	rev, err := strconv.ParseInt(c.FormValue("rev"), 10, 64)
	if err != nil || rev < 1 {
		return malformed("rev is no number")
	}
	role := db.Role(c.FormValue("role"))
	if roleWords[role] == "" {
		return s.changedPerson(c, invalid("role", "there is no such role", "choose one of the list"))
	}
	_, err = s.store.ChangePerson(c.Request().Context(), actorIn(c.Request().Context()), id, rev,
		db.PersonChange{Name: c.FormValue("name"), Role: role, Disabled: c.FormValue("disabled") == "yes"})
	return s.changedPerson(c, err)
}

// authoriseForm is POST /people/:id/authorise.
func (s *Server) authoriseForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	machine, err := uuid.Parse(c.FormValue("machine"))
	if err != nil {
		return s.changedPerson(c, invalid("machine", "no machine is chosen", "choose one of the list"))
	}
	until, err := s.endOfDay(c.FormValue("until"))
	if err != nil {
		return s.changedPerson(c, err)
	}
	wanted := db.NewAuthorisation{Person: id, Machine: machine, Until: until, Evidence: c.FormValue("evidence"), Groups: groupsOf(c.Request().Form["group"])}
	if text := strings.TrimSpace(c.FormValue("idle_months")); text != "" {
		if wanted.IdleMonths, err = strconv.ParseInt(text, 10, 64); err != nil {
			return s.changedPerson(c, invalid("idle_months", "that is no number of months", "give 1 to 60, or nothing"))
		}
	}
	_, err = s.store.Authorise(c.Request().Context(), actorIn(c.Request().Context()), wanted)
	return s.changedPerson(c, err)
}

// endOfDay is the last moment of a day that was typed, in the site's zone.
func (s *Server) endOfDay(text string) (time.Time, error) {
	day, err := time.ParseInLocation(time.DateOnly, text, s.local(s.now()).Location())
	if err != nil {
		return time.Time{}, invalid("until", fmt.Sprintf("%q is no day", text), "write it as 2027-03-31")
	}
	return day.AddDate(0, 0, 1).Add(-time.Second), nil
}

// withdrawForm is POST /people/:id/withdraw.
func (s *Server) withdrawForm(c echo.Context) error {
	authorisation, err := uuid.Parse(c.FormValue("authorisation"))
	if err != nil {
		return db.ErrNotFound
	}
	return s.changedPerson(c, s.store.WithdrawAuthorisation(c.Request().Context(), actorIn(c.Request().Context()), authorisation))
}

// passwordLinkForm is POST /people/:id/password.
func (s *Server) passwordLinkForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	_, path, err := NewInvitation(c.Request().Context(), s.store, actorIn(c.Request().Context()), db.Invitation{Person: id})
	if err != nil {
		return s.changedPerson(c, err)
	}
	return s.sendPerson(c, http.StatusOK, func(v *web.PersonView) { v.Link = s.cfg.Origin + path })
}

// eraseForm is POST /people/:id/erase.
func (s *Server) eraseForm(c echo.Context) error {
	ctx := c.Request().Context()
	a, err := named(c, s.store.Account)
	if err != nil {
		return err
	}
	if c.FormValue("sign_in") != a.SignInName {
		return s.changedPerson(c, invalid("sign_in", "that is not this person's sign-in name", "type it as it stands above"))
	}
	return s.changedPerson(c, s.store.ErasePerson(ctx, actorIn(ctx), a.ID))
}
