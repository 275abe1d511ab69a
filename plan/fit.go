package plan

import (
	"fmt"
	"slices"
	"strings"

	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// fitsMaterial holds one operation of a beam to what the material takes: operations that it is not meant
// for refuse, a dose that departs from what was proven is told.
func (m *maker) fitsMaterial(op Operation, s material.Setting) {
	mat := m.req.Material
	if m.tool.Kind != machine.ToolBeam {
		return
	}
	if len(mat.Only) > 0 && !slices.Contains(mat.Only, string(op)) {
		m.refuse(Reason{What: fmt.Sprintf("a beam may only %s on %s", strings.Join(mat.Only, " or "), named(mat.Name)),
			Next: "choose another operation or another material", Field: "operations", Limit: strings.Join(mat.Only, ", "), Value: string(op)})
	}
	if what := s.Departed(m.tool.PowerMW, m.req.Profile.DoseSharePermille); what != "" {
		m.warn(what, "setting to "+string(op), "prove it anew by a settings trial; a run with it is refused at the gate")
	}
}
