package api

import (
	"io"
	"net/http"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
)

func watchPath(id uuid.UUID) string { return "/machines/" + id.String() + "/watch" }

func (s *Server) watchView(m db.Machine, who reader) *web.WatchView {
	w := m.Watch
	if w == nil {
		return nil
	}
	now := s.now()
	at := w.At(now)
	v := &web.WatchView{Path: watchPath(m.ID), By: "a named person", Until: s.local(at.Until), Due: s.local(w.Due()), Seen: s.local(w.Seen),
		Mine: who.signed && w.Watcher == who.person, Running: w.Running, Missed: !w.Running && w.Missed(now), Over: !w.Running && !now.Before(at.Until)}
	if who.signed {
		v.By = shortName(w.WatcherName)
	}
	return v
}

// watchPage is GET /machines/:id/watch.
func (s *Server) watchPage(c echo.Context) error { return s.sendWatch(c, http.StatusOK, nil) }

func (s *Server) sendWatch(c echo.Context, status int, problem *web.Problem) error {
	ctx := c.Request().Context()
	m, err := named(c, s.store.Machine)
	if err != nil {
		return err
	}
	site, err := s.store.Site(ctx)
	if err != nil {
		return err
	}
	who, err := s.readerOf(ctx, c)
	if err != nil {
		return err
	}
	v := web.WatchPageView{Shell: s.shell(c, "Fire watch, "+m.Name, "/stations"), Machine: machineView(m), Watch: s.watchView(m, who)}
	v.Problem = problem
	if e, ok := checklist.FireEditionOf(site.FireEdition); ok {
		v.Edition = e.Name
	}
	if p, ok := personOf(c); ok {
		v.MaySet = p.Person.Role.Officer()
		if v.MayKeep, err = s.hasRole(ctx, p, []role{operator, officer}); err != nil {
			return err
		}
		v.MayKeep = v.MayKeep || v.Watch != nil && v.Watch.Mine
		if m.Watch != nil {
			looks, err := s.store.Looks(ctx, m.Watch.ID)
			if err != nil {
				return err
			}
			for _, l := range looks {
				v.Looks = append(v.Looks, web.LookView{At: s.local(l.At), By: shortName(l.Name), Fire: l.Fire})
			}
		}
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderWatch(w, v) })
}

// watchForm is POST /machines/:id/watch.
func (s *Server) watchForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	saw := c.FormValue("saw")
	if saw != "nothing" && saw != "fire" {
		return s.watchDone(c, id, invalid("saw", "what was seen is not said", "press one of the buttons"))
	}
	_, err = s.store.LookAtWatch(c.Request().Context(), actorIn(c.Request().Context()), id, saw == "fire")
	return s.watchDone(c, id, err)
}

// takeWatchForm is POST /machines/:id/watch/take.
func (s *Server) takeWatchForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	return s.watchDone(c, id, s.store.TakeWatch(c.Request().Context(), actorIn(c.Request().Context()), id))
}

func (s *Server) watchDone(c echo.Context, id uuid.UUID, err error) error {
	return s.afterForm(c, err, watchPath(id), func(status int, problem *web.Problem) error { return s.sendWatch(c, status, problem) })
}

// fireWatchPage is GET /site/fire-watch.
func (s *Server) fireWatchPage(c echo.Context) error { return s.sendFireWatch(c, http.StatusOK, nil) }

func (s *Server) sendFireWatch(c echo.Context, status int, problem *web.Problem) error {
	site, err := s.store.Site(c.Request().Context())
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.FireWatchView{Shell: s.shell(c, "Fire watch of this site", "/site/fire-watch"), MayAct: who.Person.Role.Officer()}
	v.Problem = problem
	for _, e := range checklist.FireEditions() {
		chosen := e.Key == site.FireEdition
		if chosen {
			v.Chosen = e.Name
		}
		v.Editions = append(v.Editions, web.EditionRow{Key: e.Key, Name: e.Name, Words: e.Words, Minutes: e.Minutes, Chosen: chosen})
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderFireWatch(w, v) })
}

// fireWatchForm is POST /site/fire-watch.
func (s *Server) fireWatchForm(c echo.Context) error {
	err := s.store.ChooseFireEdition(c.Request().Context(), actorIn(c.Request().Context()), c.FormValue("edition"))
	return s.afterForm(c, err, "/site/fire-watch", func(status int, problem *web.Problem) error { return s.sendFireWatch(c, status, problem) })
}
