package api

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/queue"
)

// jobPage is GET /jobs/{id}.
func (s *Server) jobPage(c echo.Context) error {
	v, err := s.jobView(c)
	if err != nil {
		return err
	}
	if c.QueryParam("said") == "handed-in" {
		v.Notice = "Handed in. An operator loads the sheet when the job’s turn comes."
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderJob(w, v) })
}

// jobMain is GET /jobs/{id}/main, the part of an open page that changes.
func (s *Server) jobMain(c echo.Context) error {
	return show(c, s.jobView, web.RenderJobMain)
}

// jobWithdraw is POST /jobs/{id}/withdraw.
func (s *Server) jobWithdraw(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := pathID(c)
	if err != nil {
		return err
	}
	rev, err := strconv.ParseInt(c.FormValue("rev"), 10, 64)
	if err != nil || rev <= 0 {
		return invalid("rev", "the page does not say what it has seen of the job", "open the job's page again")
	}
	_, err = s.store.WithdrawJob(ctx, actorIn(ctx), id, rev)
	return s.jobDone(c, id, err)
}

// jobDone answers a form of a job's page.
func (s *Server) jobDone(c echo.Context, id uuid.UUID, err error) error {
	return s.afterForm(c, err, "/jobs/"+id.String(), func(status int, problem *web.Problem) error {
		v, err := s.jobView(c)
		if err != nil {
			return err
		}
		v.Problem = problem
		return sendHTML(c, status, func(w io.Writer) error { return web.RenderJob(w, v) })
	})
}

// jobSetForm is POST /jobs/{id}/set: the set that it is part of, one that is there or a new one.
func (s *Server) jobSetForm(c echo.Context) error {
	ctx := c.Request().Context()
	id, err := pathID(c)
	if err != nil {
		return err
	}
	form, err := readHandIn(c)
	if err != nil {
		return err
	}
	if j, err := s.store.Job(ctx, actorIn(ctx), id); err != nil {
		return err
	} else if who, _ := personOf(c); j.Member != who.Person.ID {
		return db.ErrNotFound // before a set is made for it
	}
	set, err := s.chosenSet(ctx, form)
	if err == nil {
		_, err = s.store.ChooseSet(ctx, actorIn(ctx), id, set, 0)
	}
	return s.jobDone(c, id, err)
}

// gateRecords bounds how many runs of a job show their gate.
const gateRecords = 20

func (s *Server) jobView(c echo.Context) (web.JobView, error) {
	ctx := c.Request().Context()
	j, err := namedTo(c, s.store.Job)
	if err != nil {
		return web.JobView{}, err
	}
	m, err := s.store.Machine(ctx, j.Machine)
	if err != nil {
		return web.JobView{}, err
	}
	row, err := s.store.PlanFor(ctx, actorIn(ctx), j.Plan, j.Machine)
	if err != nil {
		return web.JobView{}, err
	}
	d, err := s.store.Drawing(ctx, actorIn(ctx), j.Drawing)
	if err != nil {
		return web.JobView{}, err
	}
	v := web.JobView{Shell: s.shell(c, j.Title, ""), ID: j.ID.String(), Rev: j.Rev, JobTitle: j.Title, State: string(j.State),
		Member: j.MemberName, Machine: machineView(m), Tool: j.Tool, Material: j.MaterialName, Lot: j.StockLot, Copies: j.Copies,
		Due: s.localOrNil(j.Due), SubmittedAt: s.local(j.SubmittedAt), WithdrawnAt: s.localOrNil(j.WithdrawnAt),
		DrawingID: j.Drawing.String(), DrawingName: d.FileName, PlanDigest: j.Plan.String(), Plan: playedView(row.Plan, j.Plan, "plan")}
	if j.Set != nil {
		v.SetHref, v.SetName = "/sets/"+j.Set.String(), j.SetName
	}
	who, _ := personOf(c)
	mine := j.Member == who.Person.ID
	for _, r := range j.Runs {
		if _, err := r.Phase.After(queue.Withdrawn); err == nil && j.WithdrawnAt == nil {
			v.MayWithdraw = mine || who.Person.Role.Officer() || who.Person.Role.Admin()
		}
	}
	if v.MayRepeat = mine; mine {
		var chosen uuid.UUID
		if j.Set != nil {
			chosen = *j.Set
		}
		if v.SetForm.Sets, err = s.setLines(ctx, chosen); err != nil {
			return v, err
		}
		for _, t := range v.SetForm.Sets {
			if t.Chosen {
				v.SetLine = &t
			}
		}
	}
	if err := s.expect(ctx, j, &v); err != nil {
		return v, err
	}
	shown := make([]uuid.UUID, 0, gateRecords)
	for _, r := range j.Runs[max(0, len(j.Runs)-gateRecords):] {
		shown = append(shown, r.ID)
	}
	signed, err := s.store.SignOffs(ctx, shown...)
	if err != nil {
		return v, err
	}
	// The newest run stands first.
	for i := len(j.Runs) - 1; i >= 0; i-- {
		v.Runs = append(v.Runs, s.runView(j.Runs[i], m, signedOf(signed, j.Runs[i].ID)))
	}
	return v, nil
}

// expect tells when the sheets of a job that wait are ready, as its machine's queue stands.
func (s *Server) expect(ctx context.Context, j db.Job, v *web.JobView) error {
	waits := func(r db.Run) bool { return r.Phase == queue.Proposed || r.Phase == queue.Checking }
	if !slices.ContainsFunc(j.Runs, waits) {
		return nil
	}
	q, err := s.store.Queue(ctx, j.Machine)
	if err != nil {
		return err
	}
	for i, p := range q.Places {
		if !slices.ContainsFunc(j.Runs, func(r db.Run) bool { return r.ID == p.Run }) {
			continue
		}
		v.NotBefore, v.ReadyBy = s.localOrNil(p.End), s.localOrNil(p.Slowest)
		if p.Called != nil && !p.CalledSeen {
			v.Called, v.CalledRun = s.localOrNil(p.Called), p.Run.String()
		}
		if v.Place == 0 {
			v.Place, v.Why = i+1, p.Reason
		}
	}
	v.PaceRuns = q.Lane.Pace.Runs
	if !q.Lane.Pace.Known() {
		v.PaceRuns = 0
	}
	v.Laying = layingWords(q.Lane.Pace)
	return nil
}

func signedOf(all map[uuid.UUID]db.Signed, run uuid.UUID) *db.Signed {
	if signed, ok := all[run]; ok {
		return &signed
	}
	return nil
}

// runView draws a run; signed is what it was signed with, nil where nobody shows or signed it.
func (s *Server) runView(r db.Run, m db.Machine, signed *db.Signed) web.RunView {
	v := web.RunView{ID: r.ID.String(), Number: r.Number, Copy: r.Copy, Copies: r.Copies, Phase: string(r.Phase), Outcome: string(r.Outcome),
		Words: runWords(r), Operator: r.OperatorName, StartedAt: s.localOrNil(r.StartedAt), EndedAt: s.localOrNil(r.EndedAt),
		PlannedMS: r.PlanTotalMS, RealMS: r.RealMS, Simulated: machineView(m).Simulated, SheetFate: string(r.SheetFate), Flame: r.Flame}
	if p := r.Placement; p != nil {
		v.Origin = fmt.Sprintf("x %s, y %s mm", web.Millimetres(p.Origin.X), web.Millimetres(p.Origin.Y))
	}
	if r.HasPicture {
		v.PictureURL = base + "/runs/" + r.ID.String() + "/picture.png"
	}
	if signed == nil || !wasSigned(r) {
		return v
	}
	v.Gate = &web.Gate{}
	for _, b := range recordOf(r, m, signed) {
		drawn := barView(b, true)
		if b.Item.Key == checklist.ShownPlacement { // shown and bound, and no question
			drawn.Said, b.Needs = []string{b.Needs}, ""
		}
		v.Gate.Bars = append(v.Gate.Bars, drawn)
		v.Answers = append(v.Answers, web.AnswerView{Title: b.Item.Title, Said: strings.Join(drawn.Said, ", "), Needs: b.Needs, Numbers: b.Numbers})
	}
	return v
}

// recordOf are the bars of a run as they were signed, whatever has changed since.
func recordOf(r db.Run, m db.Machine, signed *db.Signed) []checklist.Bar {
	tool, _ := m.Profile.Tool(r.Tool)
	return signed.Record(m.Checklist.ForRun(m.Profile, tool))
}

// runWords says in a sentence where a run stands or how it ended.
func runWords(r db.Run) string {
	because := ""
	if r.Reason != "" {
		because = ": " + r.Reason
	}
	switch r.Phase {
	case queue.Proposed:
		if !r.Ready {
			if r.UnreadyReason != "" {
				return "Waits; the machine is not ready: " + r.UnreadyReason + "."
			}
			return "Waits for the machine to fetch the plan."
		}
		return "Waits for an operator."
	case queue.Checking:
		return "At the gate: " + r.OperatorName + " is answering the checklist."
	case queue.Permitted:
		return "Signed; the machine is taking the permit."
	case queue.Starting:
		return "The countdown runs."
	case queue.Running:
		return "The machine is at work."
	case queue.Paused:
		return "Paused" + because + "."
	case queue.Purging:
		return "The air is being purged" + because + "."
	case queue.Inspecting:
		return "Waits for its inspection" + because + "."
	}
	sheet := ""
	switch r.SheetFate {
	case db.SheetKept:
		sheet = "; the sheet was kept"
	case db.SheetScrapped:
		sheet = "; the sheet was scrapped"
	case db.SheetRepeat:
		sheet = "; the sheet is repeated in a new run"
	}
	switch {
	case r.Outcome == queue.OutcomeCompleted:
		return "Every stroke was done" + sheet + "."
	case r.Outcome == queue.OutcomeWithdrawn:
		return "Withdrawn before it started."
	case r.NeverMoved:
		return web.Sentence(string(r.Outcome)) + because + "; the machine never moved" + sheet + "."
	}
	return web.Sentence(string(r.Outcome)) + because + sheet + "."
}
