package api

import (
	"io"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
)

// eyewearPage is GET /eyewear.
func (s *Server) eyewearPage(c echo.Context) error {
	return s.sendEyewear(c, http.StatusOK, func(*web.EyewearView) {})
}

// sendEyewear sends the register, with what the last act did to it.
func (s *Server) sendEyewear(c echo.Context, status int, with func(*web.EyewearView)) error {
	ctx := c.Request().Context()
	who, _ := personOf(c)
	pairs, err := s.store.Pairs(ctx)
	if err != nil {
		return err
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return err
	}
	v := web.EyewearView{Shell: s.shell(c, "Eyewear", "/eyewear"), MayChange: who.Person.Role.Officer() || who.Person.Role.Admin(),
		Caution: web.Sentence(checklist.Caution)}
	beams := beamsOf(machines)
	for _, p := range pairs {
		row := web.EyewearRow{ID: p.ID.String(), Rev: p.Rev, Label: p.Label, Marking: p.Marking, Damaged: p.Damaged,
			LookedAt: s.local(p.LookedAt), LookedBy: p.LookedName}
		for _, b := range beams {
			verdict := b.judge(p)
			row.Beams = append(row.Beams, web.EyewearBeam{Machine: machineView(b.machine).Label(), Fits: verdict.Fits, Why: web.Sentence(verdict.Why)})
		}
		v.Pairs = append(v.Pairs, row)
	}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderEyewear(w, v) })
}

// eyewearDone answers a form of the register: with the page and what was done, or with what says no and
// what was typed.
func (s *Server) eyewearDone(c echo.Context, err error, notice string, typed func(*web.EyewearView)) error {
	if err == nil {
		return s.sendEyewear(c, http.StatusOK, func(v *web.EyewearView) { v.Notice = notice })
	}
	p, shown := s.refusedForm(c, err)
	if !shown {
		return err
	}
	return s.sendEyewear(c, p.status, func(v *web.EyewearView) { v.Problem = pageReasons(p); typed(v) })
}

// addPairForm is POST /eyewear.
func (s *Server) addPairForm(c echo.Context) error {
	ctx := c.Request().Context()
	p := checklist.Pair{Label: c.FormValue("label"), Marking: c.FormValue("marking")}
	_, err := s.store.AddPair(ctx, actorIn(ctx), p)
	return s.eyewearDone(c, err, "“"+p.Label+"” is in the register.", func(v *web.EyewearView) { v.Label, v.Marking = p.Label, p.Marking })
}

// lookForm is POST /eyewear/:id/look.
func (s *Server) lookForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	damaged := c.FormValue("state") != "whole"
	var p db.Pair
	rev, err := formRev(c)
	if err == nil {
		p, err = s.store.LookAtPair(ctx, actorIn(ctx), id, rev, damaged)
	}
	notice := "“" + p.Label + "” was looked at: whole."
	if damaged {
		notice = "“" + p.Label + "” is marked as damaged: nobody is offered it any more, and what was signed with it is void."
	}
	return s.eyewearDone(c, err, notice, func(*web.EyewearView) {})
}

// retirePairForm is POST /eyewear/:id/retire.
func (s *Server) retirePairForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	rev, err := formRev(c)
	if err == nil {
		err = s.store.RetirePair(ctx, actorIn(ctx), id, rev)
	}
	return s.eyewearDone(c, err, "The pair is out of the register.", func(*web.EyewearView) {})
}

// formRev reads the revision that a form was made from.
func formRev(c echo.Context) (int64, error) {
	rev, err := strconv.ParseInt(c.FormValue("rev"), 10, 64)
	if err != nil || rev <= 0 {
		return 0, invalid("rev", "the form does not say what it changes", "load the page again")
	}
	return rev, nil
}
