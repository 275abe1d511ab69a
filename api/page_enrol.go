package api

import (
	"io"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
)

// siteCAPage is GET /site-ca: how a device gets to know this site by its own authority.
func (s *Server) siteCAPage(c echo.Context) error {
	v := web.SiteCAView{Shell: s.shell(c, "Know this site", "/site-ca"), Site: s.cfg.Site, Address: s.cfg.Origin}
	if s.cfg.CAFingerprint != "" {
		v.Fingerprint = strings.Split(s.cfg.CAFingerprint, ":")
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderSiteCA(w, v) })
}

// siteCACertificate is GET /site-ca/certificate.
func (s *Server) siteCACertificate(c echo.Context) error {
	if len(s.cfg.Trust.CA) == 0 {
		return db.ErrNotFound
	}
	c.Response().Header().Set("Content-Disposition", attachment("kerfgate-"+s.cfg.Site+".crt"))
	return c.Blob(http.StatusOK, "application/x-x509-ca-cert", s.cfg.Trust.CA)
}

// stationEnrolPage is GET /station-enrol.
func (s *Server) stationEnrolPage(c echo.Context) error {
	v := web.StationEnrolView{Shell: s.shell(c, "Make this device a station", "/stations")}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderStationEnrol(w, v) })
}

// stationEnrolForm is POST /station-enrol.
func (s *Server) stationEnrolForm(c echo.Context) error {
	st, cookie, err := s.enrolStation(c.Request().Context(), c.FormValue("code"))
	if err != nil {
		p := problemOf(err)
		if p.status >= http.StatusInternalServerError {
			return err
		}
		v := web.StationEnrolView{Shell: s.shell(c, "Make this device a station", "/stations")}
		v.Problem = pageReasons(p)
		return sendHTML(c, p.status, func(w io.Writer) error { return web.RenderStationEnrol(w, v) })
	}
	c.SetCookie(cookie)
	v := web.StationEnrolView{Shell: s.shell(c, "This device is a station", "/stations"), Machine: st.Machine.String(), Name: st.Name}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderStationEnrol(w, v) })
}

// pinForm is POST /sign-in/pin, what the sign-in page of a station sends.
func (s *Server) pinForm(c echo.Context) error {
	name, next := c.FormValue("sign_in"), ownPath(c.FormValue("next"))
	o, err := s.signInByPIN(c.Request().Context(), name, c.FormValue("pin"))
	if err != nil {
		p := problemOf(err)
		if p.status >= http.StatusInternalServerError {
			return err
		}
		v := web.SignInView{Shell: s.shell(c, "Sign in", "/sign-in"), Next: next, SignInName: fileName(name), Station: true, Passkeys: s.passkeysOn(c)}
		v.Problem = pageReasons(p)
		return sendHTML(c, p.status, func(w io.Writer) error { return web.RenderSignIn(w, v) })
	}
	c.SetCookie(s.sessionCookie(o.Token, o.Session.ExpiresAt))
	return c.Redirect(http.StatusSeeOther, next)
}
