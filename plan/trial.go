package plan

import (
	"fmt"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
	"kerfgate/plan/material"
)

// Trial is how the groups of a drawing are worked that tries settings: each with its own speed and power,
// none of them proven. It is the one thing that a beam may do with an unproven setting, and only so: as
// drawn, in the order of the drawing's groups, the weakest first, on at most MostTrialUM each way. The
// limits are those of common practice for a first trial in a material: a small piece, the weakest cell
// first, ended at the first flame.
type Trial []TrialSetting

// TrialSetting is one group's.
type TrialSetting struct {
	Group         string `json:"group"`
	SpeedUMPerS   int64  `json:"speed_um_per_s"`
	PowerPermille int64  `json:"power_permille"`
	Passes        int64  `json:"passes"`
}

// MostTrialUM is how wide and how high a trial may be.
const MostTrialUM = 60_000

// Weaker says whether a gives less energy to each millimetre than b.
func (a TrialSetting) Weaker(b TrialSetting) bool {
	return a.PowerPermille*a.Passes*b.SpeedUMPerS < b.PowerPermille*b.Passes*a.SpeedUMPerS
}

// Unproven says whether these choices work with settings that nothing has proven.
func (c Choices) Unproven() bool { return len(c.Trial) > 0 }

// tried gives each group its setting and holds the trial to its rules.
func (m *maker) tried(groups []Group) {
	m.trial = make(map[int]material.Setting, len(groups))
	c := m.req.Choices
	bad := func(what, next string) {
		m.refuse(Reason{What: "a settings trial: " + what, Next: next, Field: "choices.trial"})
	}
	if !c.AsDrawn || c.Array.Count() > 1 {
		bad("it is not done once and as drawn", "plan it as drawn, one of it")
	}
	if len(c.Trial) != len(groups) {
		bad(fmt.Sprintf("%d settings for %d groups", len(c.Trial), len(groups)), "name a setting for each group")
		return
	}
	for i, s := range c.Trial {
		if s.Group != groups[i].Letter {
			bad(fmt.Sprintf("group %.20s stands where %s is drawn", s.Group, groups[i].Letter), "name the groups in the order in which they are drawn")
			return
		}
		switch op := m.ops[i]; op {
		case Cut, Mark, Draw:
			m.trial[i] = m.checked(op, material.Setting{Operation: string(op), SpeedUMPerS: s.SpeedUMPerS,
				PowerPermille: s.PowerPermille, Passes: s.Passes, KerfUM: m.tool.SpotUM})
		default:
			bad(fmt.Sprintf("%.20s is not tried here", string(op)), "try to cut, mark or draw")
		}
		if i > 0 && s.Weaker(c.Trial[i-1]) {
			bad(fmt.Sprintf("group %s is weaker than the one before it", s.Group), "begin with the weakest")
		}
	}
}

// fitsTrial refuses a trial that is larger than it may be.
func (m *maker) fitsTrial(extents geom.Box) {
	if m.req.Choices.Unproven() && (extents.Width() > MostTrialUM || extents.Height() > MostTrialUM) {
		m.refuse(Reason{What: "a settings trial is larger than it may be", Next: "take fewer or smaller cells", Field: "drawing",
			Limit: sizeText(MostTrialUM, MostTrialUM), Value: sizeText(extents.Width(), extents.Height())})
	}
}

// settingOf is the setting with which a task is done.
func (m *maker) settingOf(t task) material.Setting {
	if m.trial != nil {
		return m.trial[t.group]
	}
	return m.settings[t.op]
}

// asDrawn takes cut lines for what they are drawn as: each closed one frees what it encloses.
func asDrawn(lines []contour.Line) cutting {
	c := cutting{lines: lines, parents: make([]int, len(lines))}
	for i, l := range lines {
		c.parents[i] = -1
		if box, ok := geom.BoxOf(l.Points...); ok && l.Closed && Operation(l.Op) == Cut {
			area := geom.Area(l.Points)
			c.pieces = append(c.pieces, contour.Piece{Number: len(c.pieces) + 1, Lines: []int{i}, AreaUM2: max(area, -area), Extents: box})
		}
	}
	c.drawn = c.pieces
	return c
}
