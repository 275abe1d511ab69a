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
	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/settingsgrid"
	"kerfgate/queue"
)

func gridPath(id uuid.UUID) string { return "/settings-grids/" + id.String() }

// startGridForm is POST /machines/:id/settings-grids.
func (s *Server) startGridForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	spec := settingsgrid.Spec{Operation: plan.Operation(c.FormValue("operation"))}
	stock, errStock := uuid.Parse(c.FormValue("stock"))
	if errStock != nil {
		return s.machineForm(c, id, invalid("stock", "no lot is chosen", "choose what it is worked on"))
	}
	var errs [3]error
	spec.Speeds, errs[0] = typedList("speeds", c.FormValue("speeds"), 1000)
	spec.Powers, errs[1] = typedList("powers", c.FormValue("powers"), 10)
	if spec.Passes, errs[2] = strconv.ParseInt(strings.TrimSpace(c.FormValue("passes")), 10, 64); errs[2] != nil {
		errs[2] = invalid("passes", "passes are a whole number", "type 1 to 20")
	}
	for _, err := range errs {
		if err != nil {
			return s.machineForm(c, id, err)
		}
	}
	made, err := planning(c.Request().Context(), s, s.store.StartSettingsGrid, db.NewSettingsGrid{Machine: id, Tool: c.FormValue("tool"), Stock: stock, Spec: spec})
	if err != nil {
		return s.machineForm(c, id, err)
	}
	return c.Redirect(http.StatusSeeOther, gridPath(made.ID))
}

// typedList reads numbers with spaces between, as whole parts of a unit.
func typedList(field, text string, parts float64) ([]int64, error) {
	var out []int64
	for _, word := range strings.Fields(text) {
		v, err := strconv.ParseFloat(strings.Replace(word, ",", ".", 1), 64)
		if err != nil || v < 0 || v > 10_000 {
			return nil, invalid(field, fmt.Sprintf("%.20q is no number of this list", word), "type numbers with spaces between")
		}
		out = append(out, int64(v*parts+0.5))
	}
	return out, nil
}

// gridPage is GET /settings-grids/:id.
func (s *Server) gridPage(c echo.Context) error { return s.sendGrid(c, http.StatusOK, nil) }

func (s *Server) sendGrid(c echo.Context, status int, problem *web.Problem) error {
	ctx := c.Request().Context()
	g, err := named(c, s.store.SettingsGrid)
	if err != nil {
		return err
	}
	m, err := s.store.Machine(ctx, g.Machine)
	if err != nil {
		return err
	}
	may, err := s.mayHandle(c, m.ID)
	if err != nil {
		return err
	}
	states, err := s.store.GridStates(ctx, g)
	if err != nil {
		return err
	}
	v := web.GridView{Shell: s.shell(c, "Settings grid, "+m.Name, "/stations"), Path: gridPath(g.ID), MachinePath: machinePath(m.ID), Machine: machineView(m), Rev: g.Rev,
		What:   fmt.Sprintf("%s %s, %s, %s mm", g.Grid.Operation, g.MaterialName, g.Colour, web.Millimetres(g.ThicknessUM)),
		MadeBy: g.MadeName, MadeAt: s.local(g.MadeAt), Run: runLink(g.Run, g.RunNumber, g.RunPhase, g.RunOutcome), Flame: g.Flame, FlameAt: s.localOrNil(g.FlameAt),
		MayChoose: may && g.Chosen == nil && g.RunPhase == queue.Closed && g.RunOutcome != queue.OutcomeWithdrawn, AsksKerf: g.Grid.Operation == plan.Cut}
	v.Problem = problem
	switch g.RunPhase {
	case queue.Proposed, queue.Checking, queue.Permitted:
		v.Station = "/station/" + m.ID.String()
	case queue.Starting, queue.Running, queue.Paused, queue.Purging, queue.Inspecting:
		v.Working = may && g.FlameAt == nil
	default:
		if run, err := s.store.Run(ctx, actorIn(ctx), g.Run); err == nil && run.HasPicture {
			v.PictureURL = base + "/runs/" + g.Run.String() + "/picture.png"
		}
	}
	for _, p := range g.Grid.Powers {
		v.Powers = append(v.Powers, tenths(p)+" %")
	}
	v.Rows = gridRows(g, states)
	if g.Chosen != nil && *g.Chosen < len(g.Grid.Cells) {
		cell := g.Grid.Cells[*g.Chosen]
		v.Chosen = settingWords(cell.Setting.SpeedUMPerS, cell.Setting.PowerPermille, cell.Setting.Passes)
		if dose := doseWords(cell.DoseUJPerMM); dose != "" {
			v.Chosen += ", " + dose
		}
		v.ChosenBy = s.stamp(g.ChosenName, g.ChosenAt)
	}
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderSettingsGrid(w, v) })
}

// gridRows are the cells as they lie on the sheet: the fastest row on top, the weakest column on the left.
func gridRows(g db.SettingsGrid, states []settingsgrid.State) []web.GridSpeed {
	rows := make([]web.GridSpeed, len(g.Grid.Speeds))
	for i := range rows {
		rows[len(rows)-1-i] = web.GridSpeed{Speed: web.Millimetres(g.Grid.Speeds[i]) + " mm/s", Cells: make([]web.GridCell, len(g.Grid.Powers))}
	}
	for i, cell := range g.Grid.Cells {
		rows[len(rows)-1-cell.Row].Cells[cell.Column] = web.GridCell{Index: i, Order: i + 1, Setting: tenths(cell.Setting.PowerPermille) + " %", Dose: doseWords(cell.DoseUJPerMM),
			State: string(states[i]), Whole: states[i] == settingsgrid.Whole, Broken: states[i] == settingsgrid.Broken, Cut: g.Grid.Operation == plan.Cut,
			Chosen: g.Chosen != nil && *g.Chosen == i, Weight: 1 + i*5/len(g.Grid.Cells)}
	}
	return rows
}

// gridRow is a grid in the list of a machine's.
func (s *Server) gridRow(g db.SettingsGrid) web.GridRow {
	row := web.GridRow{Href: gridPath(g.ID), What: fmt.Sprintf("%s %s, %s, %s mm", g.Grid.Operation, g.MaterialName, g.Colour, web.Millimetres(g.ThicknessUM)),
		By: g.MadeName, At: s.local(g.MadeAt)}
	switch {
	case g.Chosen != nil:
		row.State = "chosen"
	case g.RunOutcome == queue.OutcomeWithdrawn:
		row.State = "withdrawn"
	case g.RunPhase == queue.Closed:
		row.State, row.Pending = "to be chosen from", true
	default:
		row.State, row.Pending = "to be worked", true
	}
	if g.Flame {
		row.State += ", a flame was seen"
	}
	return row
}

// chooseCellForm is POST /settings-grids/:id/choose.
func (s *Server) chooseCellForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	cell, errCell := strconv.Atoi(c.FormValue("cell"))
	rev, _ := strconv.ParseInt(c.FormValue("rev"), 10, 64) // none: whatever it is now
	kerf := int64(0)
	if text := c.FormValue("kerf_mm"); strings.TrimSpace(text) != "" {
		kerf, err = typedMM("kerf_mm", text)
	}
	if errCell != nil {
		err = invalid("cell", "no cell is chosen", "tap the best one")
	}
	if err == nil {
		_, err = s.store.ChooseCell(ctx, actorIn(ctx), id, rev, cell, kerf)
	}
	return s.gridForm(c, id, err)
}

// flameForm is POST /settings-grids/:id/flame: the stop goes out first, whatever becomes of the rest.
func (s *Server) flameForm(c echo.Context) error {
	ctx := c.Request().Context()
	g, err := named(c, s.store.SettingsGrid)
	if err != nil {
		return err
	}
	_, stopped := s.stopRun(ctx, g.Run)
	if _, err = s.store.SeeFlame(ctx, actorIn(ctx), g.ID); err == nil {
		err = stopped
	}
	return s.gridForm(c, g.ID, err)
}

func (s *Server) gridForm(c echo.Context, id uuid.UUID, err error) error {
	return s.afterForm(c, err, gridPath(id), func(status int, problem *web.Problem) error { return s.sendGrid(c, status, problem) })
}
