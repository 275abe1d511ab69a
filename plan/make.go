package plan

import (
	"errors"
	"fmt"

	"kerfgate/plan/canon"
	"kerfgate/plan/drawing"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
	"kerfgate/plan/motion"
)

// mostPoints bounds what one plan holds after flattening, filling and passes.
const mostPoints = 10_000_000

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
	groups, of := groupsOf(d)
	m.assign(groups)
	lines := m.clean(d, groups, of)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	extents := m.fit(lines)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	for i := range lines {
		for k := range lines[i].points {
			lines[i].points[k] = lines[i].points[k].Sub(extents.Min)
		}
	}
	nesting := nest(lines)
	visits := order(lines, nesting.parents, geom.Point{}, limitsOf(req.Profile))
	p := &Plan{
		Planner: Version, Drawing: canon.Sum(req.Drawing),
		Tool: m.tool.Name, ToolKind: m.tool.Kind, Material: req.Material.Name, Stock: req.Stock.Lot,
		Groups: groups, Extents: extents.Move(geom.Pt(-extents.Min.X, -extents.Min.Y)),
		Pieces: nesting.pieces(lines, visits), PurgeS: m.purge,
		SheetSize: geom.Pt(req.Stock.SheetWidthUM, req.Stock.SheetHeightUM),
		Warnings:  []Warning{},
	}
	var err error
	if p.Profile, err = req.Profile.Digest(); err != nil {
		return nil, fmt.Errorf("profile digest: %w", err)
	}
	p.Strokes = m.strokes(lines, visits, groups, nesting.number)
	if len(m.reasons) > 0 {
		return nil, m.refusal()
	}
	p.Numbers = numbersOf(p, m.tool, req.Profile)
	m.warnSetup()
	p.Warnings = append(p.Warnings, m.warnings...)
	return p, nil
}

// maker gathers reasons and warnings while a plan is made.
type maker struct {
	req      Request
	tool     machine.Tool
	purge    int64
	ops      map[int]Operation // by group index
	settings map[Operation]material.Setting
	reasons  []Reason
	warnings []Warning
}

func (m *maker) refuse(r Reason) { m.reasons = append(m.reasons, r) }

func (m *maker) refusal() error { return &Refusal{Reasons: m.reasons} }

func (m *maker) warn(what, where, next string) {
	m.warnings = append(m.warnings, Warning{What: what, Where: where, Next: next})
}

// read reads the drawing; nil means that it was refused.
func (m *maker) read() *drawing.Drawing {
	d, err := drawing.Read(m.req.Drawing, drawing.Limits{})
	var refusal *drawing.Refusal
	if errors.As(err, &refusal) {
		what := refusal.What
		if refusal.Place != "" {
			what += " (" + refusal.Place + ")"
		}
		m.refuse(Reason{What: what, Next: refusal.Next, Field: "drawing", Limit: refusal.Limit, Value: refusal.Value})
		return nil
	} else if err != nil {
		m.refuse(Reason{What: err.Error(), Next: "hand in another drawing", Field: "drawing"})
		return nil
	}
	for _, n := range d.Notices {
		what := n.What
		if n.Count > 1 {
			what = fmt.Sprintf("%s (%d times)", what, n.Count)
		}
		m.warn(what, n.Place, n.Next)
	}
	return d
}

// clean flattens the shapes, removes doubles, joins what meets, and fills areas.
func (m *maker) clean(d *drawing.Drawing, groups []Group, of []int) []line {
	if m.req.Profile.SmallestStepUM <= 0 {
		return nil // refused already
	}
	lines, err := flatten(d, of, groups, tolerance(m.req.Profile.SmallestStepUM), mostPoints)
	if err != nil {
		m.refuse(Reason{What: err.Error(), Next: "simplify the drawing", Field: "drawing"})
		return nil
	}
	if len(lines) == 0 {
		m.refuse(Reason{What: "the drawing holds no line that a tool could follow",
			Next: "draw at least one visible path", Field: "drawing"})
		return nil
	}
	for i := range lines {
		lines[i].op = m.ops[lines[i].group]
	}
	lines, doubled := removeDoubles(lines)
	lines = join(lines)
	lines, again := removeDoubles(lines)
	if doubled+again > 0 {
		m.warn(fmt.Sprintf("%s mm of lines lie exactly on others and are done once", mm(doubled+again)),
			"drawing", "nothing to do; delete the doubles if they surprise you")
	}
	return m.fillAreas(lines, groups)
}

// fit gives the extents of the lines and refuses what neither machine nor sheet can hold.
func (m *maker) fit(lines []line) geom.Box {
	var extents geom.Box
	for i, l := range lines {
		box, _ := geom.BoxOf(l.points...)
		if i == 0 {
			extents = box
		}
		extents = extents.Union(box)
	}
	if len(lines) == 0 {
		m.refuse(Reason{What: "nothing is left that the tool could do", Next: "assign other operations or draw closed shapes",
			Field: "operations"})
		return extents
	}
	size := fmt.Sprintf("%s × %s mm", mm(extents.Width()), mm(extents.Height()))
	travel := m.req.Profile.TravelUM
	if extents.Width() > travel.Width() || extents.Height() > travel.Height() {
		m.refuse(Reason{What: "the drawing is larger than the machine's travel", Next: "scale it down or take a larger machine",
			Field: "drawing", Limit: fmt.Sprintf("%s × %s mm", mm(travel.Width()), mm(travel.Height())), Value: size})
	}
	s := m.req.Stock
	if extents.Width() > s.SheetWidthUM || extents.Height() > s.SheetHeightUM {
		m.refuse(Reason{What: "the drawing is larger than the sheet", Next: "scale it down or take a larger sheet",
			Field: "stock", Limit: fmt.Sprintf("%s × %s mm", mm(s.SheetWidthUM), mm(s.SheetHeightUM)), Value: size})
	}
	return extents
}

// strokes gives every visit its setting, its passes, and rests that the tool needs.
func (m *maker) strokes(lines []line, visits []visit, groups []Group, number []int64) []Stroke {
	limits := limitsOf(m.req.Profile)
	strokes := make([]Stroke, 0, len(visits))
	points, divided := 0, 0
	for _, v := range visits {
		l := lines[v.item]
		setting := m.settings[l.op]
		run := v.run(l)
		parts, ok := withinLongestOn(run, setting.SpeedUMPerS, m.tool, limits)
		if !ok {
			m.refuse(Reason{What: fmt.Sprintf("a stroke keeps the %s on longer than it may be, however it is divided", m.tool.Name),
				Next: "work faster, or correct the tool's longest time in the profile", Field: "settings",
				Limit: fmt.Sprintf("%d ms", m.tool.LongestOnMS)})
			return nil
		}
		if len(parts) > 1 {
			divided++
		}
		for pass := range setting.Passes {
			for i, part := range parts {
				s := Stroke{
					Operation: l.op, Group: groups[l.group].Letter, Closed: l.closed && len(parts) == 1,
					Points: part, SpeedUMPerS: setting.SpeedUMPerS, PowerPermille: setting.PowerPermille,
				}
				if pass == setting.Passes-1 && i == len(parts)-1 {
					s.Piece = number[v.item]
				}
				if points += len(part); points > mostPoints {
					m.refuse(Reason{What: "the plan has too many points", Next: "simplify the drawing or take fewer passes",
						Field: "drawing", Limit: fmt.Sprint(mostPoints), Value: "more"})
					return nil
				}
				strokes = append(strokes, s)
			}
			if !l.closed { // the next pass runs back over the same line
				parts = reversed(parts)
			}
		}
	}
	if divided > 0 {
		m.warn(fmt.Sprintf("the %s may stay on for %s s only and then rests %s s; lines divided for it: %d",
			m.tool.Name, seconds(m.tool.LongestOnMS), seconds(m.tool.RestMS), divided),
			"tool", "look for marks where the parts meet, or work faster")
	}
	return strokes
}

func reversed(parts [][]geom.Point) [][]geom.Point {
	out := make([][]geom.Point, 0, len(parts))
	for i := len(parts) - 1; i >= 0; i-- {
		back := make([]geom.Point, 0, len(parts[i]))
		for k := len(parts[i]) - 1; k >= 0; k-- {
			back = append(back, parts[i][k])
		}
		out = append(out, back)
	}
	return out
}

// withinLongestOn divides a stroke so that each part keeps the tool on no longer than it may be.
func withinLongestOn(run []geom.Point, speed int64, tool machine.Tool, limits motion.Limits) ([][]geom.Point, bool) {
	if tool.LongestOnMS <= 0 {
		return [][]geom.Point{run}, true
	}
	most := (tool.LongestOnMS - tool.Switch.OffDelayMS) * 1000
	if most <= 0 {
		return nil, false
	}
	need := limits.StrokeMicros(run, speed)
	for n := (need + most - 1) / most; n <= 10_000; n += max(1, n/8) {
		parts := geom.Divide(run, int(max(1, n)))
		fits := true
		for _, part := range parts {
			fits = fits && limits.StrokeMicros(part, speed) <= most
		}
		if fits {
			return parts, true
		}
	}
	return nil, false
}

// seconds prints ms as seconds without trailing zeros.
func seconds(ms int64) string { return mm(ms) }
