package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"path"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/plan/canon"
)

// maxFiles bounds how many drawings one form hands in.
const maxFiles = 20

// handedFile is one file of a form.
type handedFile struct {
	name string
	data []byte
}

// receive keeps the files of a form as drawings, each with a draft of what was chosen for all of them.
func (s *Server) receive(ctx context.Context, form handInForm, files []handedFile) (last db.Drawing, err error) {
	for _, f := range files {
		if last, err = s.store.ReceiveDrawing(ctx, actorIn(ctx), fileName(f.name), f.data); err != nil {
			return last, err
		}
		one := form
		one.drawing, one.title = last.ID, titleOf(last)
		if err := s.keepDraft(ctx, one, canon.Digest{}); err != nil {
			return last, err
		}
	}
	return last, nil
}

// titleOf is what a drawing is called until somebody names it.
func titleOf(d db.Drawing) string { return strings.TrimSuffix(d.FileName, path.Ext(d.FileName)) }

func (s *Server) keepDraft(ctx context.Context, form handInForm, made canon.Digest) error {
	title, due := []rune(form.title), form.due
	if len(due) > 40 {
		due = ""
	}
	return s.store.KeepDraft(ctx, actorIn(ctx), db.Draft{Drawing: form.drawing, Machine: form.machine, Tool: form.tool, Stock: form.stock, Plan: made,
		Title: string(title[:min(len(title), db.MaxTitle)]), Copies: form.copies, Due: due, Set: form.set})
}

// fromDraft fills a form with what was kept of its drawing; what it says already stays.
func (s *Server) fromDraft(ctx context.Context, form *handInForm) error {
	d, err := s.store.Draft(ctx, actorIn(ctx), form.drawing)
	if errors.Is(err, db.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	form.copies, form.due, form.set = d.Copies, d.Due, d.Set
	if form.title == "" {
		form.title = d.Title
	}
	if form.machine == uuid.Nil {
		form.machine, form.tool, form.stock = d.Machine, d.Tool, d.Stock
	}
	return nil
}

// handInKeep is POST /hand-in/draft: name, copies, due date and set as they are typed. It answers with when the
// job would be ready.
func (s *Server) handInKeep(c echo.Context) error {
	ctx := c.Request().Context()
	form, err := readHandIn(c)
	if err != nil {
		return err
	}
	d, err := s.store.Draft(ctx, actorIn(ctx), form.drawing)
	if errors.Is(err, db.ErrNotFound) {
		return c.NoContent(http.StatusNoContent) // handed in or thrown away in another window
	}
	if err != nil {
		return err
	}
	form.machine, form.tool, form.stock = d.Machine, d.Tool, d.Stock
	if err := s.keepDraft(ctx, form, canon.Digest{}); err != nil {
		return err
	}
	digest, err := canon.Parse(c.FormValue("plan"))
	if err != nil {
		return c.NoContent(http.StatusNoContent)
	}
	row, err := s.store.PlanFor(ctx, actorIn(ctx), digest, form.machine)
	if err != nil {
		return err
	}
	v, err := s.readyView(ctx, row, form)
	if err != nil {
		return err
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderReady(w, v) })
}

// handInThrowAway is POST /hand-in/throw-away.
func (s *Server) handInThrowAway(c echo.Context) error {
	ctx := c.Request().Context()
	drawing, err := uuid.Parse(c.FormValue("drawing"))
	if err != nil {
		return invalid("drawing", "no drawing was named", "open the page hand in again")
	}
	if err := s.store.DropDraft(ctx, actorIn(ctx), drawing); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/hand-in")
}

// setsShown is how many of a member's sets the page offers, the newest.
const setsShown = 20

// setLines are the member's newest sets, with one chosen.
func (s *Server) setLines(ctx context.Context, chosen uuid.UUID) ([]web.SetLine, error) {
	sets, err := s.store.Sets(ctx, actorIn(ctx), uuid.Nil, setsShown)
	if err != nil {
		return nil, err
	}
	lines := make([]web.SetLine, 0, len(sets))
	for _, t := range sets {
		line := setLine(t)
		line.Chosen = t.ID == chosen
		lines = append(lines, line)
	}
	return lines, nil
}

// setsAndDrafts fills in what a member has begun.
func (s *Server) setsAndDrafts(ctx context.Context, v *web.HandInView, form handInForm) error {
	v.SetName, v.MaxFiles = form.setName, maxFiles
	var err error
	if v.Sets, err = s.setLines(ctx, form.set); err != nil {
		return err
	}
	names := map[string]string{}
	for _, t := range v.Sets {
		names[t.ID] = t.Name
	}
	if form.drawing != uuid.Nil {
		return nil // there the drafts are not shown
	}
	drafts, err := s.store.Drafts(ctx, actorIn(ctx))
	if err != nil {
		return err
	}
	for _, d := range drafts {
		line := web.DraftView{Drawing: d.Drawing.String(), Name: d.Title, File: d.FileName, Href: "/hand-in?drawing=" + d.Drawing.String(),
			Planned: d.Plan != (canon.Digest{}), Set: names[d.Set.String()], KeptAt: s.local(d.KeptAt)}
		if line.Name == "" {
			line.Name = d.FileName
		}
		if line.Planned {
			line.Href = "/hand-in?plan=" + d.Plan.String()
		}
		v.Drafts = append(v.Drafts, line)
	}
	return nil
}

// chosenSet is the set that a form names, made where it names a new one; zero for none.
func (s *Server) chosenSet(ctx context.Context, form handInForm) (uuid.UUID, error) {
	if form.setName == "" {
		return form.set, nil
	}
	t, err := s.store.MakeSet(ctx, actorIn(ctx), form.setName)
	return t.ID, err
}

// tooManyFiles refuses a form with more drawings than one form may have.
func tooManyFiles() error {
	return invalid("file", fmt.Sprintf("more than %d files were chosen", maxFiles), "hand them in in two goes")
}
