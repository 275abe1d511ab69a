package api

import (
	"io"
	"net/http"

	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
)

// headPage is GET /logbook/head: the signed head, to be printed.
func (s *Server) headPage(c echo.Context) error {
	head, err := s.store.KeptHead(c.Request().Context())
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.HeadView{MayCheck: who.Person.Role.Officer() || who.Person.Role.Admin(), Shell: s.shell(c, "Head of the logbook", "/logbook"), Head: web.HeadOf(head.Note, s.local(head.At))}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderHead(w, v) })
}

// headCheckPage is GET /logbook/head/check.
func (s *Server) headCheckPage(c echo.Context) error {
	return s.sendHeadCheck(c, http.StatusOK, func(*web.HeadCheckView) {})
}

func (s *Server) sendHeadCheck(c echo.Context, status int, with func(*web.HeadCheckView)) error {
	v := web.HeadCheckView{Shell: s.shell(c, "Check a head", "/logbook"), Text: c.FormValue("head")}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderHeadCheck(w, v) })
}

// headCheckForm is POST /logbook/head/check: it reads and changes nothing.
func (s *Server) headCheckForm(c echo.Context) error {
	verdict, err := s.store.CheckHead(c.Request().Context(), c.FormValue("head"))
	if err != nil {
		p, shown := s.refusedForm(c, err)
		if !shown {
			return err
		}
		return s.sendHeadCheck(c, p.status, func(v *web.HeadCheckView) { v.Problem = pageReasons(p) })
	}
	if !verdict.Consistent {
		s.log.Error("a head that was kept elsewhere does not fit the logbook", "origin", verdict.Head.Origin, "size", verdict.Head.Size, "root", verdict.Head.Root, "now", verdict.Now)
	}
	return s.sendHeadCheck(c, http.StatusOK, func(v *web.HeadCheckView) {
		v.Found = &web.HeadFound{Origin: verdict.Head.Origin, Size: verdict.Head.Size, Now: verdict.Now, Good: verdict.Consistent,
			Shorter: verdict.Head.Size > verdict.Now, Cut: verdict.Cut}
	})
}
