package api

import (
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
)

// upkeepPage is GET /upkeep.
func (s *Server) upkeepPage(c echo.Context) error {
	return s.sendUpkeep(c, http.StatusOK, func(*web.UpkeepView) {})
}

func (s *Server) sendUpkeep(c echo.Context, status int, with func(*web.UpkeepView)) error {
	ctx := c.Request().Context()
	all, err := s.store.Upkeep(ctx, uuid.Nil)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.UpkeepView{Shell: s.shell(c, "Upkeep", "/upkeep"), MaySet: who.Person.Role.Officer()}
	if v.MayDo, err = s.hasRole(ctx, who, []role{operator, officer}); err != nil {
		return err
	}
	for _, t := range all {
		v.Tasks = append(v.Tasks, web.UpkeepRow{ID: t.ID.String(), Machine: t.MachineName, What: t.What, Every: ruleWords(t.Rule), State: string(t.State), Why: t.Why,
			Critical: t.Critical, Overdue: t.State == checklist.UpkeepOverdue, Soon: t.State == checklist.UpkeepSoon, Since: s.local(t.Since), LastNote: t.LastNote, LastBy: t.LastBy})
	}
	if v.MaySet {
		machines, err := s.store.Machines(ctx)
		if err != nil {
			return err
		}
		for _, m := range machines {
			v.Machines = append(v.Machines, web.Choice{Value: m.ID.String(), Label: m.Bay + ", " + m.Name})
		}
	}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderUpkeep(w, v) })
}

// ruleWords says how often work is due.
func ruleWords(r checklist.UpkeepRule) string {
	var parts []string
	for _, x := range []struct {
		n         int64
		one, many string
	}{{r.Days, "day", "days"}, {r.Hours, "machine hour", "machine hours"}, {r.Runs, "run", "runs"}} {
		if x.n > 0 {
			parts = append(parts, web.Count(int(x.n), x.one, x.many))
		}
	}
	return "every " + strings.Join(parts, " or ")
}

// changedUpkeep answers a form of the page.
func (s *Server) changedUpkeep(c echo.Context, err error) error {
	return s.afterForm(c, err, "/upkeep", func(status int, problem *web.Problem) error {
		return s.sendUpkeep(c, status, func(v *web.UpkeepView) { v.Problem = problem })
	})
}

// setUpkeepForm is POST /upkeep.
func (s *Server) setUpkeepForm(c echo.Context) error {
	n := db.NewUpkeep{What: c.FormValue("what"), Critical: c.FormValue("critical") == "yes"}
	var err error
	if n.Machine, err = uuid.Parse(c.FormValue("machine")); err != nil {
		return s.changedUpkeep(c, invalid("machine", "no machine is chosen", "choose one of the list"))
	}
	for name, to := range map[string]*int64{"days": &n.Rule.Days, "hours": &n.Rule.Hours, "runs": &n.Rule.Runs} {
		if text := strings.TrimSpace(c.FormValue(name)); text != "" {
			if *to, err = strconv.ParseInt(text, 10, 64); err != nil {
				return s.changedUpkeep(c, invalid(name, fmt.Sprintf("%.20q is no number of %s", text, name), "give a whole number, or nothing"))
			}
		}
	}
	ctx := c.Request().Context()
	_, err = s.store.SetUpkeep(ctx, actorIn(ctx), n)
	return s.changedUpkeep(c, err)
}

// doUpkeepForm is POST /upkeep/:id/done.
func (s *Server) doUpkeepForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	photo, err := formPhoto(c)
	if err == nil {
		ctx := c.Request().Context()
		_, err = s.store.DoUpkeep(ctx, actorIn(ctx), id, c.FormValue("note"), photo)
	}
	return s.changedUpkeep(c, err)
}

// retireUpkeepForm is POST /upkeep/:id/retire.
func (s *Server) retireUpkeepForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	return s.changedUpkeep(c, s.store.RetireUpkeep(ctx, actorIn(ctx), id))
}
