package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/canon"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// handInForm is what the hand-in page's forms carry.
type handInForm struct {
	machine    uuid.UUID
	tool       string
	stock      uuid.UUID
	drawing    uuid.UUID
	operations map[string]plan.Operation
	choices    plan.Choices
	usual      plan.Operation // of groups that none was chosen for; empty = the tool's
	// groups are the drawing's groups as the last plan named them, so that a refused choice can
	// still be changed.
	groups []web.GroupView
	title  string
	copies int64
	due    string
	set    uuid.UUID // zero for none
	// setName names a set that is to be made.
	setName string
}

// handInPage is GET /hand-in: empty, or with the plan that its address names.
func (s *Server) handInPage(c echo.Context) error {
	ctx := c.Request().Context()
	name := c.QueryParam("plan")
	if name == "" {
		form := handInForm{copies: 1}
		form.drawing, _ = uuid.Parse(c.QueryParam("drawing")) // zero: none yet
		form.set, _ = uuid.Parse(c.QueryParam("set"))
		if form.drawing != uuid.Nil {
			if err := s.fromDraft(ctx, &form); err != nil {
				return err
			}
		}
		v, err := s.handInView(c, form)
		if err != nil {
			return err
		}
		if c.QueryParam("said") == "received" {
			v.Notice = "The drawings are kept. Plan each and hand it in."
		}
		return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderHandIn(w, v) })
	}
	digest, err := canon.Parse(name)
	if err != nil {
		return db.ErrNotFound
	}
	row, err := s.store.Plan(ctx, actorIn(ctx), digest)
	if err != nil {
		return err
	}
	form := handInForm{copies: 1, title: c.QueryParam("title"), drawing: row.Drawing, machine: row.Machine}
	if err := s.fromDraft(ctx, &form); err != nil {
		return err
	}
	v, err := s.handInPlanned(c, row, form)
	if err != nil {
		return err
	}
	if c.Request().Header.Get("HX-Request") != "" {
		c.Response().Header().Set("HX-Replace-Url", "/hand-in?plan="+digest.String())
		return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderHandInForm(w, v) })
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderHandIn(w, v) })
}

// handInDrawing is POST /hand-in: a drawing with what it is planned for.
func (s *Server) handInDrawing(c echo.Context) error {
	ctx := c.Request().Context()
	form := handInForm{copies: 1}
	parts, err := c.Request().MultipartReader()
	if err != nil {
		return errMediaType
	}
	var files []handedFile
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return readProblem(err)
		}
		if part.FormName() == "file" {
			if len(files) == maxFiles {
				return s.handInAgain(c, form, tooManyFiles())
			}
			data, err := readDrawing(part)
			if err != nil {
				return s.handInAgain(c, form, err)
			}
			files = append(files, handedFile{part.FileName(), data})
			continue
		}
		value, err := io.ReadAll(io.LimitReader(part, 200))
		if err != nil {
			return readProblem(err)
		}
		form.take(part.FormName(), string(value))
	}
	if len(files) == 0 {
		return s.handInAgain(c, form, invalid("file", "the form has no file", "choose a drawing"))
	}
	if err := form.complete(); err != nil {
		return s.handInAgain(c, form, err)
	}
	if form.set, err = s.chosenSet(ctx, form); err != nil {
		return s.handInAgain(c, form, err)
	}
	form.setName = ""
	d, err := s.receive(ctx, form, files)
	if err != nil {
		return s.handInAgain(c, form, err)
	}
	if len(files) > 1 {
		return c.Redirect(http.StatusSeeOther, "/hand-in?said=received")
	}
	form.drawing = d.ID
	last, err := s.store.LastChoice(ctx, actorIn(ctx), d.Digest, form.machine)
	switch {
	case err == nil && last.Tool == form.tool:
		form.operations, form.choices, form.usual = last.Operations, last.Choices, last.Default
	case err != nil && !errors.Is(err, db.ErrNotFound):
		return err
	}
	return s.planForm(c, form)
}

// handInPlan is POST /hand-in/plan: other choices for a drawing that is here already.
func (s *Server) handInPlan(c echo.Context) error {
	form, err := readHandIn(c)
	if err != nil {
		return err
	}
	if form.drawing == uuid.Nil {
		return s.handInAgain(c, form, invalid("drawing", "no drawing was named", "choose a drawing"))
	}
	if err := form.complete(); err != nil {
		return s.handInAgain(c, form, err)
	}
	return s.planForm(c, form)
}

// planForm makes the plan and goes to its page.
func (s *Server) planForm(c echo.Context, form handInForm) error {
	ctx := c.Request().Context()
	choice := db.PlanChoice{Drawing: form.drawing, Machine: form.machine, Tool: form.tool, Stock: form.stock, Operations: map[string]plan.Operation{},
		Choices: form.choices}
	m, err := s.store.Machine(ctx, form.machine)
	if err != nil {
		return s.handInAgain(c, form, err)
	}
	tool, _ := m.Profile.Tool(form.tool)
	var thickness int64
	if choice.Material, thickness, err = s.lot(ctx, form.stock); err != nil {
		return s.handInAgain(c, form, err)
	}
	if choice.Default = form.usual; choice.Default == "" {
		if choice.Default, err = s.usualOperation(ctx, m, tool, choice.Material, thickness); err != nil {
			return err
		}
	}
	// What was chosen for another kind of tool means nothing here.
	for letter, op := range form.operations {
		if slices.Contains(operationsOf(tool), op) {
			choice.Operations[letter] = op
		}
	}
	row, err := planning(ctx, s, s.store.MakePlan, choice)
	if err != nil {
		return s.handInAgain(c, form, err)
	}
	if err := s.fromDraft(ctx, &form); err != nil { // name, copies, due date and set stay as they are
		return err
	}
	if err := s.keepDraft(ctx, form, row.Digest); err != nil {
		return err
	}
	address := "/hand-in?plan=" + row.Digest.String()
	return c.Redirect(http.StatusSeeOther, address)
}

func (s *Server) lot(ctx context.Context, id uuid.UUID) (kind uuid.UUID, thicknessUM int64, err error) {
	all, err := s.store.Materials(ctx)
	if err != nil {
		return uuid.Nil, 0, err
	}
	for _, m := range all {
		for _, st := range m.Stock {
			if st.ID == id {
				return m.ID, st.ThicknessUM, nil
			}
		}
	}
	return uuid.Nil, 0, db.ErrNotFound
}

// usualOperation is what a group gets before anybody chose: the first of the tool's operations that
// has a proven setting for this material and thickness.
func (s *Server) usualOperation(ctx context.Context, m db.Machine, tool machine.Tool, kind uuid.UUID, thicknessUM int64) (plan.Operation, error) {
	all := operationsOf(tool)
	settings, err := s.store.Settings(ctx, m.ID)
	if err != nil {
		return "", err
	}
	for _, op := range all {
		for _, st := range settings {
			if st.Tool == tool.Name && st.Material == kind && st.ThicknessUM == thicknessUM && st.Operation == string(op) {
				return op, nil
			}
		}
	}
	return all[0], nil
}

// operationsOf lists what a tool can do, the usual one first.
func operationsOf(tool machine.Tool) []plan.Operation {
	if tool.Kind == machine.ToolPen {
		return []plan.Operation{plan.Draw}
	}
	return []plan.Operation{plan.Cut, plan.Mark, plan.Engrave}
}

// handInSubmit is POST /hand-in/submit.
func (s *Server) handInSubmit(c echo.Context) error {
	ctx := c.Request().Context()
	form, err := readHandIn(c)
	if err != nil {
		return err
	}
	digest, err := canon.Parse(c.FormValue("plan"))
	if err != nil {
		return err
	}
	row, err := s.store.PlanFor(ctx, actorIn(ctx), digest, form.machine)
	if err != nil {
		return err
	}
	wanted := db.NewJob{Title: form.title, Plan: digest, Machine: form.machine, Stock: form.stock, Copies: form.copies}
	if form.due != "" {
		due, err := time.ParseInLocation("2006-01-02T15:04", form.due, s.local(s.now()).Location())
		if err != nil {
			return s.submitAgain(c, row, form, invalid("due", "the due date cannot be read", "give day and time, or leave it empty"))
		}
		wanted.Due = &due
	}
	if wanted.Set, err = s.chosenSet(ctx, form); err != nil {
		return s.submitAgain(c, row, form, err)
	}
	form.set, form.setName = wanted.Set, "" // made, whatever comes of the job
	j, err := s.store.SubmitJob(ctx, actorIn(ctx), wanted)
	if err != nil {
		return s.submitAgain(c, row, form, err)
	}
	if err := s.store.DropDraft(ctx, actorIn(ctx), row.Drawing); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/jobs/"+j.ID.String()+"?said=handed-in")
}

func (s *Server) submitAgain(c echo.Context, row db.PlanRow, form handInForm, err error) error {
	p, shown := s.refusedForm(c, err)
	if !shown {
		return err
	}
	v, err := s.handInPlanned(c, row, form)
	if err != nil {
		return err
	}
	v.Problem = pageReasons(p)
	return sendHTML(c, p.status, func(w io.Writer) error { return web.RenderHandIn(w, v) })
}

// handInAgain shows the form with why it was refused; what was chosen stays.
func (s *Server) handInAgain(c echo.Context, form handInForm, err error) error {
	p, shown := s.refusedForm(c, err)
	if p.status == http.StatusRequestEntityTooLarge {
		shown = true
	}
	if !shown {
		return err
	}
	v, err := s.handInView(c, form)
	if err != nil {
		return err
	}
	v.Problem = pageReasons(p)
	if c.Request().Header.Get("HX-Request") != "" {
		return sendHTML(c, p.status, func(w io.Writer) error { return web.RenderHandInForm(w, v) })
	}
	return sendHTML(c, p.status, func(w io.Writer) error { return web.RenderHandIn(w, v) })
}

// maxGroups bounds the groups that a form carries.
const maxGroups = 200

// take takes one field of a form; what it does not know it leaves out.
func (f *handInForm) take(name, value string) {
	switch name {
	case "tool":
		id, tool, _ := strings.Cut(value, "|")
		f.machine, _ = uuid.Parse(id) // zero is refused by complete
		f.tool = tool
	case "stock":
		f.stock, _ = uuid.Parse(value)
	case "drawing":
		f.drawing, _ = uuid.Parse(value)
	case "title":
		f.title = strings.TrimSpace(value)
	case "due":
		f.due = value
	case "set":
		f.set, _ = uuid.Parse(value)
	case "set_name":
		f.setName = strings.TrimSpace(value)
	case "copies":
		f.copies, _ = strconv.ParseInt(value, 10, 64) // zero is refused by the store
	default:
		setChoice(&f.choices, name, value)
	}
}

func (f handInForm) complete() error {
	switch {
	case f.machine == uuid.Nil || f.tool == "":
		return invalid("tool", "no machine and tool is chosen", "choose one")
	case f.stock == uuid.Nil:
		return invalid("stock", "no material is chosen", "choose a lot")
	}
	return nil
}

func readHandIn(c echo.Context) (handInForm, error) {
	form := handInForm{copies: 1, operations: map[string]plan.Operation{}}
	values, err := c.FormParams()
	if err != nil {
		return form, readProblem(err)
	}
	for name, list := range values {
		if len(list) == 0 {
			continue
		}
		form.take(name, list[0])
		if letter, ok := strings.CutPrefix(name, "operation_"); ok && len(form.operations) < maxGroups {
			form.operations[letter] = plan.Operation(list[0])
		}
		if letter, ok := strings.CutPrefix(name, "group_"); ok && len(form.groups) < maxGroups {
			form.groups = append(form.groups, web.GroupView{Letter: letter, Words: list[0], Colour: colour(values.Get("colour_" + letter)),
				Pictures: values.Get("pictures_"+letter) != ""})
		}
	}
	slices.SortFunc(form.groups, func(a, b web.GroupView) int {
		if len(a.Letter) != len(b.Letter) { // … Y, Z, AA, AB …
			return len(a.Letter) - len(b.Letter)
		}
		return strings.Compare(a.Letter, b.Letter)
	})
	return form, nil
}

// handInView fills the page without a plan.
func (s *Server) handInView(c echo.Context, form handInForm) (web.HandInView, error) {
	ctx := c.Request().Context()
	v := web.HandInView{Shell: s.shell(c, "Hand in", "/hand-in"), JobTitle: form.title, Copies: max(1, form.copies), MaxCopies: db.MaxCopies, Due: form.due}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return v, err
	}
	var chosen machine.Tool
	for _, m := range machines {
		for _, t := range m.Profile.Tools {
			choice := web.ToolChoice{Value: m.ID.String() + "|" + t.Name, Label: machineView(m).Label() + ": " + t.Name,
				Chosen: m.ID == form.machine && t.Name == form.tool}
			if m.Lockout != nil {
				choice.Note = "locked out now"
			}
			if choice.Chosen {
				chosen = t
			}
			v.Tools = append(v.Tools, choice)
		}
	}
	if err := s.setsAndDrafts(ctx, &v, form); err != nil {
		return v, err
	}
	materials, err := s.store.Materials(ctx)
	if err != nil {
		return v, err
	}
	// The list that ships names dozens of kinds that lie on no shelf here.
	for _, m := range materials {
		if len(m.Stock) > 0 {
			v.Materials = append(v.Materials, materialChoice(m, form.stock))
		}
	}
	if form.drawing == uuid.Nil {
		return v, nil
	}
	d, err := s.store.Drawing(ctx, actorIn(ctx), form.drawing)
	if err != nil {
		return v, err
	}
	v.DrawingID, v.DrawingName = d.ID.String(), d.FileName
	if v.JobTitle == "" {
		v.JobTitle = titleOf(d)
	}
	showChoices(&v, form.choices)
	for _, g := range form.groups {
		g.Choices = operationChoices(chosen, form.operations[g.Letter])
		if g.Pictures {
			v.Halftones = append(v.Halftones, halftoneChoice(g.Letter, form.choices))
		}
		v.Groups = append(v.Groups, g)
	}
	return v, nil
}

// handInPlanned fills the page with a plan.
func (s *Server) handInPlanned(c echo.Context, row db.PlanRow, form handInForm) (web.HandInView, error) {
	ctx := c.Request().Context()
	form.machine, form.tool, form.stock, form.drawing = row.Machine, row.Tool, row.Stock, row.Drawing
	form.operations, form.choices, form.groups = map[string]plan.Operation{}, row.Choices, nil
	for _, g := range row.Plan.Groups {
		op, ok := row.Operations[g.Letter]
		if !ok {
			op = row.Default
		}
		form.operations[g.Letter] = op
		form.groups = append(form.groups, groupView(g))
	}
	v, err := s.handInView(c, form)
	if err != nil {
		return v, err
	}
	v.Plan = playedView(row.Plan, row.Digest, "plan")
	v.Ready, err = s.readyView(ctx, row, form)
	return v, err
}

func groupView(g plan.Group) web.GroupView {
	layer := "no layer"
	if g.Layer != "" {
		layer = fmt.Sprintf("layer “%s”", g.Layer)
	}
	if g.Pictures > 0 {
		return web.GroupView{Letter: g.Letter, Pictures: true, Words: layer + ", " + web.Count(int(g.Pictures), "picture", "pictures")}
	}
	return web.GroupView{Letter: g.Letter, Colour: colour(g.Colour),
		Words: fmt.Sprintf("%s, line %s, %s, %s", layer, g.Colour, web.Count(int(g.Shapes), "shape", "shapes"), web.Length(g.LengthUM)),
	}
}

// colour lets #rrggbb through and nothing else.
func colour(text string) string {
	if len(text) != 7 || text[0] != '#' || strings.Trim(text[1:], "0123456789abcdefABCDEF") != "" {
		return ""
	}
	return text
}

func operationChoices(tool machine.Tool, chosen plan.Operation) []web.OperationChoice {
	var all []web.OperationChoice
	for _, op := range operationsOf(tool) {
		all = append(all, web.OperationChoice{Value: string(op), Chosen: op == chosen})
	}
	return all
}

func materialChoice(m db.Material, chosen uuid.UUID) web.MaterialChoice {
	v := web.MaterialChoice{Name: m.Name, Verdict: string(m.Verdict)}
	for _, st := range m.Stock {
		free := st.Count - st.Reserved
		words := fmt.Sprintf("%s, lot %s, %s, %s, %s, %d free", m.Name, st.Lot, st.Colour, thickWords(st.Stock), web.Size(st.SheetWidthUM, st.SheetHeightUM), free)
		if m.Verdict == material.Forbidden || st.Halogen {
			words += ", never under a beam"
		}
		v.Stock = append(v.Stock, web.StockChoice{Value: st.ID.String(), Label: words, Chosen: st.ID == chosen, Forbids: free <= 0 && st.ID != chosen})
	}
	return v
}
