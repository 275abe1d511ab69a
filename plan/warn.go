package plan

import (
	"fmt"
	"math"

	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// dwellWorthMS is how long a beam may rest on one spot at switching before it is worth a warning.
const dwellWorthMS = 50

// warnSetup tells what the set-up means for this drawing.
func (m *maker) warnSetup() {
	if m.tool.Kind != machine.ToolBeam {
		return
	}
	s := m.tool.Switch
	if ms := s.OffDelayMS + s.JitterMS; ms >= dwellWorthMS {
		watts := float64(m.tool.PowerMW) / 1000
		seconds := float64(ms) / 1000
		joules := math.Round(float64(watts*seconds)*100) / 100
		m.warn(fmt.Sprintf("the beam rests on the end of every line while it goes off: %g s of %g W on one spot is %g J", seconds, watts, joules),
			"tool", "look for burnt spots on a test piece first; a faster switch avoids them")
	}
	if m.req.Material.Verdict == material.WithCare {
		m.warn(fmt.Sprintf("%s is to be worked with care", named(m.req.Material.Name)), "material", "read what the material's page says before signing off")
	}
}

// warnOpenCuts tells which cuts free nothing.
func (m *maker) warnOpenCuts(lines []line, groups []Group) {
	count := make([]int, len(groups))
	for _, l := range lines {
		if l.op == Cut && !l.closed {
			count[l.group]++
		}
	}
	for g, n := range count {
		if n > 0 {
			m.warn(fmt.Sprintf("open cut lines, which free nothing: %d", n), "group "+groups[g].Letter,
				"close them in the drawing if a piece should come out")
		}
	}
}
