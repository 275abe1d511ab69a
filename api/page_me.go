package api

import (
	"io"
	"net/http"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
)

// mePage is GET /me.
func (s *Server) mePage(c echo.Context) error {
	return s.sendMe(c, http.StatusOK, func(*web.MeView) {})
}

func (s *Server) sendMe(c echo.Context, status int, with func(*web.MeView)) error {
	ctx := c.Request().Context()
	who, _ := personOf(c)
	held, err := s.store.Authorisations(ctx, who.Person.ID)
	if err != nil {
		return err
	}
	sessions, err := s.store.Sessions(ctx, who.Person.ID)
	if err != nil {
		return err
	}
	v := web.MeView{Shell: s.shell(c, "Your account", "/me"), SignIn: who.Person.SignInName, Role: roleWords[who.Person.Role],
		Authorisations: s.authorisationRows(held), Until: s.local(s.now()).AddDate(0, 6, 0).Format(time.DateOnly)}
	if v.HasPIN, err = s.store.HasPIN(ctx, who.Person.ID); err != nil {
		return err
	}
	keys, err := s.store.Passkeys(ctx, who.Person.ID)
	if err != nil {
		return err
	}
	v.Passkeys = s.passkeysOn(c)
	v.Passkeys.Station = who.Session.Kind == db.SessionStation
	for _, k := range keys {
		v.Passkeys.Rows = append(v.Passkeys.Rows, web.PasskeyRow{ID: k.ID.String(), Name: k.Name, Added: s.local(k.AddedAt), Used: s.localOrNil(k.UsedAt)})
	}
	for _, se := range sessions {
		v.Sessions = append(v.Sessions, web.SessionRow{ID: se.ID.String(), What: sessionWords(se), Since: s.local(se.CreatedAt), Used: s.local(se.UsedAt),
			Until: s.local(se.ExpiresAt), Here: se.ID == who.Session.ID})
	}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderMe(w, v) })
}

func sessionWords(se db.Session) string {
	switch se.Kind {
	case db.SessionToken:
		return "token of " + se.Name
	case db.SessionStation:
		return "a station"
	case db.SessionScript:
		return "a program, by password"
	}
	return "a browser"
}

// changedMe answers a form of one's own page.
func (s *Server) changedMe(c echo.Context, notice string, err error) error {
	if err == nil {
		return s.sendMe(c, http.StatusOK, func(v *web.MeView) { v.Notice = notice })
	}
	p, shown := s.refusedForm(c, err)
	if !shown && p.status != http.StatusTooManyRequests {
		return err
	}
	return s.sendMe(c, p.status, func(v *web.MeView) { v.Problem = pageReasons(p) })
}

// mePINForm is POST /me/pin.
func (s *Server) mePINForm(c echo.Context) error {
	who, _ := personOf(c)
	return s.changedMe(c, "The PIN is kept.", s.choosePIN(c.Request().Context(), who, c.FormValue("password"), c.FormValue("pin")))
}

// mePasswordForm is POST /me/password.
func (s *Server) mePasswordForm(c echo.Context) error {
	who, _ := personOf(c)
	return s.changedMe(c, "The password is changed; every other browser is signed out.",
		s.changePassword(c.Request().Context(), who, c.FormValue("password"), c.FormValue("new_password")))
}

// meSessionForm is POST /me/sessions/:id/end.
func (s *Server) meSessionForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	return s.changedMe(c, "It is ended.", s.store.EndSession(c.Request().Context(), actorIn(c.Request().Context()), id))
}

// mePasskeyForm is POST /me/passkeys/:id/remove.
func (s *Server) mePasskeyForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	return s.changedMe(c, "The passkey is removed. Delete it on its device too.", s.store.RemovePasskey(c.Request().Context(), actorIn(c.Request().Context()), id))
}

// meTokenForm is POST /me/tokens.
func (s *Server) meTokenForm(c echo.Context) error {
	until, err := s.endOfDay(c.FormValue("until"))
	if err != nil {
		return s.changedMe(c, "", err)
	}
	wanted := db.NewToken{Name: c.FormValue("name"), Until: until}
	for _, word := range c.Request().Form["scope"] {
		wanted.Scopes = append(wanted.Scopes, db.Scope(word))
	}
	_, token, err := s.makeToken(c.Request().Context(), wanted)
	if err != nil {
		return s.changedMe(c, "", err)
	}
	return s.sendMe(c, http.StatusOK, func(v *web.MeView) { v.Token = token })
}

// joinPage is GET /join/:code: what an invitation opens.
func (s *Server) joinPage(c echo.Context) error {
	v := web.JoinView{Shell: s.shell(c, "Invitation", ""), Site: s.cfg.Site, MinPassword: MinPassword}
	invited, _, err := s.invitedBy(c.Request().Context(), c.Param("code"))
	if err != nil {
		p := problemOf(err)
		if p.status >= http.StatusInternalServerError {
			return err
		}
		return sendHTML(c, p.status, func(w io.Writer) error { return web.RenderJoin(w, v) })
	}
	v.Name, v.Path, v.Password = invited.Name, joinPath+c.Param("code"), invited.Person != uuid.Nil
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderJoin(w, v) })
}

// joinForm is POST /join/:code.
func (s *Server) joinForm(c echo.Context) error {
	ctx := c.Request().Context()
	v := web.JoinView{Shell: s.shell(c, "Invitation", ""), Site: s.cfg.Site, MinPassword: MinPassword, SignIn: c.FormValue("sign_in")}
	p, err := s.accept(ctx, c.Param("code"), db.NewPerson{SignInName: c.FormValue("sign_in"), Name: c.FormValue("name")}, c.FormValue("new_password"))
	if err == nil {
		v.Done, v.SignIn = true, p.SignInName
		return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderJoin(w, v) })
	}
	refused := problemOf(err)
	if refused.status >= http.StatusInternalServerError {
		return err
	}
	v.Problem = pageReasons(refused)
	if invited, _, err := s.invitedBy(ctx, c.Param("code")); err == nil {
		v.Name, v.Path, v.Password = invited.Name, joinPath+c.Param("code"), invited.Person != uuid.Nil
	}
	return sendHTML(c, refused.status, func(w io.Writer) error { return web.RenderJoin(w, v) })
}
