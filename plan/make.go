package plan

import (
	"fmt"
	"slices"

	"kerfgate/plan/canon"
	"kerfgate/plan/contour"
	"kerfgate/plan/drawing"
	"kerfgate/plan/engrave"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Bounds of one plan: points of all strokes, passes included; points of lines, after flattening and
// in all rows and columns, of which cutting holds up to 0.7 KiB each (measured with 1.4 million); ends
// of the rows of a filling.
const (
	mostPoints     = 10_000_000
	mostLinePoints = 1_500_000
	mostCrossings  = 2_000_000
)

// Make plans one sheet. The plan's origin is the lower left corner of what the tool marks, so that
// it can be placed on any free spot of a sheet; where it lies on the drawing's page plays no part.
// The error is a *Refusal with all reasons that could be found at once.
func Make(req Request) (*Plan, error) {
	m := &maker{req: req}
	m.checkSetup()
	d := m.read()
	if d == nil {
		return nil, m.refusal()
	}
	g := groupsOf(d)
	m.assign(g.groups)
	lines := m.clean(d, g)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	lines, rows := m.engraving(lines, d, g)
	lines, rows = m.arranged(lines, rows)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	c := m.understand(lines)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	all := tasks(c.lines, rows)
	extents := m.fit(all)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	parents := c.parents
	for range rows {
		parents = append(parents, -1)
	}
	visits := all
	if !m.req.Choices.AsDrawn {
		visits = m.ordered(all, parents)
	}
	pieces, frees := m.pieces(c, visits)
	strokes := m.strokes(visits, g.groups, c, frees, extents)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	extents = placedAtOrigin(strokes, pieces, extents)
	p := &Plan{
		Planner: Version, Drawing: canon.Sum(req.Drawing),
		Tool: m.tool.Name, ToolKind: m.tool.Kind, Material: req.Material.Name, Stock: req.Stock.Lot,
		Groups: g.groups, Strokes: strokes, Pieces: pieces, PurgeS: m.purge, Hot: []HotSpot{},
		Extents:   extents.Move(geom.Pt(-extents.Min.X, -extents.Min.Y)),
		SheetSize: geom.Pt(req.Stock.SheetWidthUM, req.Stock.SheetHeightUM), Uncorrected: req.Choices.Uncorrected,
	}
	var err error
	if p.Profile, err = req.Profile.Digest(); err != nil {
		return nil, fmt.Errorf("profile digest: %w", err)
	}
	m.number(p)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	m.warnSetup()
	p.Warnings = m.told(extents.Min)
	return p, nil
}

// maker gathers reasons and warnings while a plan is made.
type maker struct {
	req                 Request
	tool                machine.Tool
	purge               int64
	ops                 map[int]Operation // by group index
	settings            map[Operation]material.Setting
	trial               map[int]material.Setting // by group index; of a trial instead of settings
	reasons             []Reason
	warnings            []Warning
	notes               []note
	areas               [][]engrave.Area // to be engraved, by group
	doubled             int64            // µm of lines that lay on others
	pitches             []int64
	again               []bool   // by stroke: a further pass
	noRunIn, shortRunIn shortage // of closed cuts
	noTabs              int      // how many closed cuts have none
}

func (m *maker) refuse(r Reason) { m.reasons = append(m.reasons, r) }

func (m *maker) refusal() error { return &Refusal{Reasons: m.reasons} }

func (m *maker) warn(what, where, next string) {
	m.warnings = append(m.warnings, Warning{What: what, Where: where, Next: next})
}

// clean flattens the shapes, removes doubles and joins what meets.
func (m *maker) clean(d *drawing.Drawing, g grouping) []contour.Line {
	if m.req.Profile.SmallestStepUM <= 0 {
		return nil // refused already
	}
	flat, err := m.flatten(d, g)
	if err != nil {
		m.refuse(Reason{What: err.Error(), Next: "simplify the drawing", Field: "drawing"})
		return nil
	}
	areas := 0
	for _, of := range flat.areas {
		areas += len(of)
	}
	if len(flat.lines)+areas+len(d.Pictures) == 0 {
		m.refuse(Reason{What: "the drawing holds no line that a tool could follow",
			Next: "draw at least one visible path", Field: "drawing"})
		return nil
	}
	if len(m.reasons) > 0 {
		return nil
	}
	if m.req.Choices.AsDrawn {
		return flat.lines
	}
	cleaned, err := contour.Clean(flat.lines, m.cutOptions())
	if err != nil {
		m.tangled(err)
		return nil
	}
	m.areas = flat.areas
	if m.doubled = cleaned.DoubledUM + flat.doubledUM; m.doubled > 0 {
		m.warn(fmt.Sprintf("%s mm of lines lie on others and are done once", mm(m.doubled)),
			"drawing", "nothing to do; delete the doubles if they surprise you")
	}
	return cleaned.Lines
}

// arranged repeats everything in rows and columns.
func (m *maker) arranged(lines []contour.Line, rows []task) ([]contour.Line, []task) {
	if m.req.Choices.Array.Count() == 1 || len(m.reasons) > 0 {
		return lines, rows
	}
	var box geom.Box
	some, points := false, 0
	for _, t := range tasks(lines, rows) {
		t.each(func(part []geom.Point) {
			b, _ := geom.BoxOf(part...)
			if some {
				b = b.Union(box)
			}
			box, some = b, true
			points += len(part)
		})
	}
	offsets := m.arrange(box, points)
	if len(offsets) == 0 {
		return nil, nil
	}
	return repeated(lines, offsets), copied(rows, offsets)
}

// each visits what the tool marks of a task.
func (t task) each(visit func([]geom.Point)) {
	if len(t.rows) == 0 {
		visit(t.points)
		return
	}
	for _, r := range t.rows {
		if s := (Stroke{Points: r.Points, On: r.On}); len(r.On) > 0 {
			for _, part := range s.Marked() {
				visit(part)
			}
		} else {
			visit(r.Points)
		}
	}
}

// fit gives the extents of what is marked and refuses what neither machine nor sheet can hold.
func (m *maker) fit(all []task) geom.Box {
	var extents geom.Box
	some := false
	for _, t := range all {
		t.each(func(part []geom.Point) {
			b, _ := geom.BoxOf(part...)
			if some {
				b = b.Union(extents)
			}
			extents, some = b, true
		})
	}
	m.fitsTrial(extents)
	if !some {
		m.refuse(Reason{What: "nothing is left that the tool could do", Next: "assign other operations or draw closed shapes",
			Field: "operations"})
		return extents
	}
	size := sizeText(extents.Width(), extents.Height())
	travel := m.req.Profile.TravelUM
	if extents.Width() > travel.Width() || extents.Height() > travel.Height() {
		m.refuse(Reason{What: "the drawing is larger than the machine's travel", Next: "scale it down or take a larger machine",
			Field: "drawing", Limit: sizeText(travel.Width(), travel.Height()), Value: size})
	}
	s := m.req.Stock
	if extents.Width() > s.SheetWidthUM || extents.Height() > s.SheetHeightUM {
		m.refuse(Reason{What: "the drawing is larger than the sheet", Next: "scale it down or take a larger sheet",
			Field: "stock", Limit: sizeText(s.SheetWidthUM, s.SheetHeightUM), Value: size})
	}
	return extents
}

// pieces numbers what comes loose in running order. frees gives for each visit the number of the
// piece that it frees, 0 for none; where one line frees several, that of the first.
func (m *maker) pieces(c cutting, visits []task) (pieces []Piece, frees []int64) {
	when := make([]int, len(c.lines))
	for k, v := range visits {
		if v.line >= 0 {
			when[v.line] = k
		}
	}
	last := make([]int, len(c.pieces)) // visit after which it is loose
	order := make([]int, len(c.pieces))
	for i, p := range c.pieces {
		order[i] = i
		for _, l := range p.Lines {
			last[i] = max(last[i], when[l])
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return last[a] - last[b] })
	frees = make([]int64, len(visits))
	pieces = make([]Piece, 0, len(order))
	for n, i := range order {
		p := c.pieces[i]
		if d := c.drawn[i]; d.Number > 0 {
			p.AreaUM2, p.Extents = d.AreaUM2, d.Extents
		}
		piece := Piece{Number: int64(n + 1), Dropout: p.Dropout, Extents: p.Extents, AreaMM2: squareMM(p.AreaUM2)}
		if len(c.short) > 0 {
			piece.SharedUM, piece.NarrowerUM, piece.LowerUM = c.short[i].shared, c.short[i].width, c.short[i].height
		}
		pieces = append(pieces, piece)
		if frees[last[i]] == 0 {
			frees[last[i]] = int64(n + 1)
		}
	}
	return pieces, frees
}
