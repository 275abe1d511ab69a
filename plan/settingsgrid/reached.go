package settingsgrid

import (
	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// State is what became of a cell.
type State string

// A cell that was worked whole, one at which the run ended, one that was never begun.
const (
	Whole   State = "worked"
	Broken  State = "broken off"
	Untried State = "not worked"
)

// paceMS and pacePermille are how far a machine's own pace may lie off the planned one: a cell counts as
// whole only where it must have been. Own choice.
const (
	paceMS       = 300
	pacePermille = 20
)

// Reached says what became of each cell of a run that ended after the given machine time. A run that went
// to its end worked them all. p is the grid's plan.
func (g Grid) Reached(p *plan.Plan, profile machine.Profile, doneMS int64, completed bool) []State {
	out := make([]State, len(g.Cells))
	if completed {
		for i := range out {
			out[i] = Whole
		}
		return out
	}
	cell := map[string]int{}
	for i := range g.Cells {
		cell[g.Letter(i)] = i
		out[i] = Untried
	}
	strokes, begun, ended := p.Strokes, make([]int64, len(g.Cells)), make([]int64, len(g.Cells))
	for i := range begun {
		begun[i] = -1
	}
	for l := range plan.Lines(p, profile, geom.Point{}) {
		if l.Stroke < 0 || l.Stroke >= len(strokes) {
			continue
		}
		i, ok := cell[strokes[l.Stroke].Group]
		if !ok {
			continue
		}
		if l.On && begun[i] < 0 {
			begun[i] = l.EndMS
		}
		ended[i] = l.EndMS
	}
	slack := paceMS + doneMS*pacePermille/1000
	for i := range out {
		switch {
		case begun[i] < 0:
		case ended[i]+slack <= doneMS:
			out[i] = Whole
		case begun[i] <= doneMS+slack:
			out[i] = Broken
		}
	}
	return out
}
