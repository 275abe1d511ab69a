package api

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/queue"
)

// historyRows is how many runs a page of the history shows.
const historyRows = 50

// historyPage is GET /history.
func (s *Server) historyPage(c echo.Context) error {
	ctx := c.Request().Context()
	who, _ := personOf(c)
	v := web.HistoryView{Shell: s.shell(c, "What ran", "/history"), All: who.Person.Role.Officer() || who.Person.Role.Admin(),
		From: c.QueryParam("from"), To: c.QueryParam("to")}
	f := db.HistoryFilter{Limit: historyRows, Outcome: queue.Outcome(c.QueryParam("outcome"))}
	asFile := url.Values{}
	var err error
	if text := c.QueryParam("machine"); text != "" {
		if f.Machine, err = uuid.Parse(text); err != nil {
			return db.ErrNotFound
		}
		asFile.Set("machine_id", text)
	}
	if text := c.QueryParam("after"); text != "" {
		if f.After, err = uuid.Parse(text); err != nil {
			return db.ErrNotFound
		}
	}
	zone := s.local(s.now()).Location()
	day := func(name, text string, days int) time.Time {
		at, bad := time.ParseInLocation(time.DateOnly, text, zone)
		if text == "" || bad != nil {
			return time.Time{}
		}
		at = at.AddDate(0, 0, days)
		asFile.Set(name, at.UTC().Format(time.RFC3339))
		return at
	}
	f.From, f.To = day("from", v.From, 0), day("to", v.To, 1)
	for _, o := range []queue.Outcome{queue.OutcomeCompleted, queue.OutcomeStopped, queue.OutcomeFailed, queue.OutcomeInterrupted, queue.OutcomeWithdrawn} {
		v.Outcomes = append(v.Outcomes, web.Role{Value: string(o), Label: string(o), Chosen: o == f.Outcome})
		if o == f.Outcome {
			asFile.Set("outcome", string(o))
		}
	}
	if f.Outcome != queue.NoOutcome && asFile.Get("outcome") == "" {
		f.Outcome = queue.NoOutcome // a word that is no outcome picks nothing out
	}
	if v.Materials, err = s.materialRoles(ctx, c.QueryParam("material"), &f.Material); err != nil {
		return err
	}
	if f.Material != uuid.Nil {
		asFile.Set("material_id", f.Material.String())
	}
	if v.Who = strings.TrimSpace(c.QueryParam("person")); v.Who != "" && v.All {
		if f.Person, err = s.store.PersonNamed(ctx, v.Who); errors.Is(err, db.ErrNotFound) {
			v.Problem = &web.Problem{Title: "No such person", Reasons: []web.Reason{{What: "Nobody has that sign-in name", Next: "Look at the page of people for it."}}}
			return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderHistory(w, v) })
		} else if err != nil {
			return err
		}
		asFile.Set("person_id", f.Person.String())
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return err
	}
	for _, m := range machines {
		v.Machines = append(v.Machines, web.Role{Value: m.ID.String(), Label: m.Bay + ", " + m.Name, Chosen: m.ID == f.Machine})
	}
	runs, err := s.store.History(ctx, actorIn(ctx), f)
	if err != nil {
		return err
	}
	for _, r := range runs {
		row := web.OverRow{ID: r.ID.String(), Title: r.JobTitle, Machine: r.MachineBay + ", " + r.MachineName, Member: r.MemberName, Operator: r.OperatorName,
			Outcome: string(r.Outcome), Reason: r.Reason, Number: r.Number, Copy: r.Copy, Copies: r.Copies, PlannedMS: r.PlanTotalMS, RealMS: r.RealMS,
			NeverMoved: r.NeverMoved, Flame: r.Flame, Stock: r.MaterialName + ", lot " + r.StockLot}
		if r.EndedAt != nil {
			row.EndedAt = s.local(*r.EndedAt)
		}
		v.Runs = append(v.Runs, row)
	}
	if len(runs) == historyRows {
		next := url.Values{"after": {runs[historyRows-1].ID.String()}}
		for _, name := range []string{"machine", "outcome", "material", "person", "from", "to"} {
			if text := c.QueryParam(name); text != "" {
				next.Set(name, text)
			}
		}
		v.Older = "/history?" + next.Encode()
	}
	v.Picked = len(asFile) > 0 || f.After != uuid.Nil
	v.CSV = base + "/runs/export?" + asFile.Encode()
	asFile.Set("format", "jsonl")
	v.Lines = base + "/runs/export?" + asFile.Encode()
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderHistory(w, v) })
}

// materialRoles are the materials that have or had a lot here, to choose from; picked is the one that is chosen.
func (s *Server) materialRoles(ctx context.Context, chosen string, picked *uuid.UUID) ([]web.Role, error) {
	all, err := s.store.Materials(ctx)
	var list []web.Role
	for _, m := range all {
		if len(m.Stock) == 0 {
			continue
		}
		role := web.Role{Value: m.ID.String(), Label: m.Name, Chosen: m.ID.String() == chosen}
		if role.Chosen {
			*picked = m.ID
		}
		list = append(list, role)
	}
	return list, err
}

// runPage is GET /runs/:id.
func (s *Server) runPage(c echo.Context) error {
	ctx := c.Request().Context()
	r, err := namedTo(c, s.store.Run)
	if err != nil {
		return err
	}
	m, err := s.store.Machine(ctx, r.Machine)
	if err != nil {
		return err
	}
	row, err := s.store.PlanFor(ctx, actorIn(ctx), r.Plan, r.Machine)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.RunPageView{Shell: s.shell(c, "Run", "/history"), JobID: r.Job.String(), JobTitle: r.JobTitle, Member: r.MemberName, Machine: machineView(m),
		Tool: r.Tool, Material: r.MaterialName, Lot: r.StockLot, Plan: playedView(row.Plan, r.Plan, "plan"),
		ReadsLog: who.Person.Role.Officer() || who.Person.Role.Admin()}
	signed, err := s.store.SignOffs(ctx, r.ID)
	if err != nil {
		return err
	}
	v.RunView = s.runView(r, m, signedOf(signed, r.ID))
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderRun(w, v) })
}
