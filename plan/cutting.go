package plan

import (
	"fmt"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
	"kerfgate/plan/machine"
)

// cutting is what the cut lines mean: which holds which, and what comes loose.
type cutting struct {
	lines   []contour.Line
	parents []int
	pieces  []contour.Piece // in the lines as they are cut
	drawn   []contour.Piece // the same in the lines as drawn; Number 0 where it is not known
}

// cutOptions are what is looked at in cut lines.
func (m *maker) cutOptions() contour.Options {
	o := contour.Options{JoinUM: m.req.Choices.JoinUM, ResolutionUM: m.req.Profile.SmallestStepUM, BridgeUM: m.req.Choices.LeastBridgeUM,
		SupportUM: m.req.Profile.SupportUM}
	if o.BridgeUM == 0 {
		o.BridgeUM = m.req.Stock.ThicknessUM
	}
	if s, ok := m.settings[Cut]; ok && m.tool.Kind == machine.ToolBeam {
		o.KerfUM = s.KerfUM
	}
	return o
}

// tangled refuses what the contour stage cannot take.
func (m *maker) tangled(err error) {
	m.refuse(Reason{What: err.Error(), Next: "simplify the drawing", Field: "drawing"})
}

// understand looks at the lines as drawn, tells what it finds, and moves cut lines by half a kerf into
// the waste where that is wanted.
func (m *maker) understand(lines []contour.Line) cutting {
	if m.req.Choices.AsDrawn {
		return asDrawn(lines)
	}
	options := m.cutOptions()
	drawn, err := contour.Understand(lines, options)
	if err != nil {
		m.tangled(err)
		return cutting{}
	}
	for _, f := range drawn.Findings {
		m.tellFinding(f)
	}
	c := cutting{lines: lines, parents: drawn.Parents, pieces: drawn.Pieces, drawn: drawn.Pieces}
	if m.req.Choices.NoKerf || options.KerfUM == 0 {
		return c.turned()
	}
	return m.compensate(c, options)
}

// alone says which piece each line frees all by itself, −1 for none.
func alone(lines []contour.Line, pieces []contour.Piece) []int {
	out := make([]int, len(lines))
	for i := range out {
		out[i] = -1
	}
	for k, p := range pieces {
		if len(p.Lines) == 1 && lines[p.Lines[0]].Closed {
			out[p.Lines[0]] = k
		}
	}
	return out
}

// compensate moves the closed lines that free a piece by themselves.
func (m *maker) compensate(c cutting, options contour.Options) cutting {
	of := alone(c.lines, c.pieces)
	index := make([]int, len(c.lines)) // of a line among the contours
	var contours []kerf.Contour
	var source []int // of a contour among the lines
	shared := 0
	for i, l := range c.lines {
		index[i] = -1
		if of[i] < 0 {
			if Operation(l.Op) == Cut && l.Closed {
				shared++
			}
			continue
		}
		index[i] = len(contours)
		source = append(source, i)
		contours = append(contours, kerf.Contour{Points: l.Points, Dropout: c.pieces[of[i]].Dropout, Parent: -1})
	}
	for k, i := range source {
		if p := c.parents[i]; p >= 0 {
			contours[k].Parent = index[p]
		}
	}
	if shared > 0 {
		m.warn(fmt.Sprintf("cut lines that share edges with others stay where they are drawn, without half a kerf: %d", shared),
			"drawing", "draw pieces apart if their size matters")
	}
	moved, err := kerf.Compensate(contours, options.KerfUM, tolerance(m.req.Profile.SmallestStepUM))
	if err != nil {
		m.refuse(Reason{What: "the kerf cannot be allowed for: " + err.Error(), Next: "simplify the drawing, or cut where the lines are drawn",
			Field: "choices.no_kerf"})
		return c
	}
	for _, f := range moved.Findings {
		m.tellKerf(f)
	}
	var lines []contour.Line
	from := []int{}                    // by new line, the old one
	rings := make([]int, len(c.lines)) // by old line
	for i, l := range c.lines {
		if index[i] < 0 {
			lines, from = append(lines, l), append(from, i)
		}
	}
	for _, r := range moved.Rings {
		i := source[r.Source]
		l := c.lines[i]
		l.Points = r.Points
		lines, from = append(lines, l), append(from, i)
		rings[i]++
	}
	options.KerfUM, options.BridgeUM = 0, 0 // the drawn lines have told
	cut, err := contour.Understand(lines, options)
	if err != nil {
		m.tangled(err)
		return c
	}
	out := cutting{lines: lines, parents: cut.Parents, pieces: cut.Pieces, drawn: make([]contour.Piece, len(cut.Pieces))}
	for i, k := range alone(lines, cut.Pieces) {
		if k >= 0 && of[from[i]] >= 0 && rings[from[i]] == 1 {
			out.drawn[k] = c.pieces[of[from[i]]]
		}
	}
	return out.turned()
}

// turned lets every line that frees a piece by itself run with pieces on its left and waste on its
// right.
func (c cutting) turned() cutting {
	lines := make([]contour.Line, len(c.lines))
	copy(lines, c.lines)
	for i, k := range alone(lines, c.pieces) {
		if k >= 0 && (geom.Area(lines[i].Points) < 0) != c.pieces[k].Dropout {
			lines[i].Points = turnedRound(lines[i].Points)
		}
	}
	c.lines = lines
	return c
}
