package api

import (
	"context"
	"io"
	"net/http"
	"slices"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
)

// queuePage is GET /machines/:id/queue.
func (s *Server) queuePage(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	return s.sendQueue(c, id, http.StatusOK, nil)
}

func (s *Server) sendQueue(c echo.Context, id uuid.UUID, status int, problem *web.Problem) error {
	ctx := c.Request().Context()
	lane, _, err := s.laneOf(ctx, id)
	if err != nil {
		return err
	}
	who, err := s.readerOf(ctx, c)
	if err != nil {
		return err
	}
	v := web.QueueView{Shell: s.shell(c, "Queue, "+lane.Machine.Name, "/"), Machine: machineView(lane.Machine),
		Lockout: s.lockoutView(lane.Machine.Lockout, who)}
	v.Problem = problem
	v.Laying = layingWords(lane.Queue.Lane.Pace)
	if p := lane.Queue.Lane.Pace; p.Known() {
		v.PaceRuns, v.TypicalPercent, v.SlowPercent = p.Runs, p.Typical/10, p.Slow/10
	}
	if v.MayTake, err = s.operates(ctx, who.person, id); err != nil {
		return err
	}
	next, hasNext := lane.Going()
	for _, r := range lane.Next {
		t := s.ticket(lane, r, who)
		place, _ := lane.Queue.ByRun(r.ID)
		v.Places = append(v.Places, web.QueuePlace{Ticket: t, Next: hasNext && next.ID == r.ID, Taken: place.Taken != nil})
	}
	v.More = int(lane.Waiting) - len(v.Places)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderQueue(w, v) })
}

// operates says whether somebody holds a valid authorisation for a machine.
func (s *Server) operates(ctx context.Context, person, machine uuid.UUID) (bool, error) {
	all, err := s.authorisations(ctx, person)
	return slices.ContainsFunc(all, func(a db.Authorisation) bool { return a.Machine == machine && valid(a, s.now()) }), err
}

// queueForm answers a form that names a run of the machine whose page it stands on.
func (s *Server) queueForm(c echo.Context, do func(run uuid.UUID) error) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	run, err := uuid.Parse(c.FormValue("run"))
	if err != nil {
		return db.ErrNotFound
	}
	to := "/machines/" + id.String() + "/queue"
	if job, err := uuid.Parse(c.FormValue("job")); err == nil {
		to = "/jobs/" + job.String()
	}
	return s.afterForm(c, do(run), to, func(status int, problem *web.Problem) error { return s.sendQueue(c, id, status, problem) })
}

// takeRunForm is POST /machines/:id/queue/take.
func (s *Server) takeRunForm(c echo.Context) error {
	ctx := c.Request().Context()
	return s.queueForm(c, func(run uuid.UUID) error { return s.store.TakeRun(ctx, actorIn(ctx), run, c.FormValue("reason")) })
}

// callMemberForm is POST /machines/:id/queue/call.
func (s *Server) callMemberForm(c echo.Context) error {
	ctx := c.Request().Context()
	return s.queueForm(c, func(run uuid.UUID) error { return s.store.CallMember(ctx, actorIn(ctx), run) })
}

// memberCameForm is POST /machines/:id/queue/came.
func (s *Server) memberCameForm(c echo.Context) error {
	ctx := c.Request().Context()
	return s.queueForm(c, func(run uuid.UUID) error { return s.store.MemberCame(ctx, actorIn(ctx), run) })
}
