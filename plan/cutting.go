package plan

import (
	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// cutting is what the cut lines mean: which holds which, and what comes loose.
type cutting struct {
	lines   []contour.Line
	parents []int
	pieces  []contour.Piece // in the lines as they are cut
	drawn   []contour.Piece // the same in the lines as drawn; Number 0 where it is not known
	short   []shortened     // by piece, what it loses at edges that it shares; empty where none does
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
	return m.compensate(c, drawn.Clusters, options)
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
