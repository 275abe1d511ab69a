package plan

import (
	"fmt"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// note is a warning about a place of the drawing, which is told from the plan's origin once that is
// known.
type note struct {
	what, next string
	at         geom.Point
	from       int // index among the warnings that it comes after
}

// told puts the places into the warnings.
func (m *maker) told(origin geom.Point) []Warning {
	out := make([]Warning, 0, len(m.warnings)+len(m.notes))
	k := 0
	for i := range len(m.warnings) + 1 {
		for ; k < len(m.notes) && m.notes[k].from == i; k++ {
			n := m.notes[k]
			at := n.at.Sub(origin)
			out = append(out, Warning{What: n.what, Next: n.next, Where: fmt.Sprintf("x %s, y %s mm from the origin", mm(at.X), mm(at.Y))})
		}
		if i < len(m.warnings) {
			out = append(out, m.warnings[i])
		}
	}
	return out
}

func (m *maker) noteAt(what string, at geom.Point, next string) {
	m.notes = append(m.notes, note{what: what, next: next, at: at, from: len(m.warnings)})
}

// findingWords say what was found in lines as drawn; n is how often, um the least length.
var findingWords = map[contour.Kind]struct {
	what func(n int, um int64) string
	next string
}{
	contour.OpenCut: {func(n int, _ int64) string { return fmt.Sprintf("open cut lines, which free nothing: %d", n) },
		"close them in the drawing if a piece should come out"},
	contour.Crossing: {func(n int, _ int64) string { return fmt.Sprintf("cut lines that cross each other: %d", n) },
		"look whether the pieces come out as they are meant"},
	contour.BelowKerf: {func(n int, um int64) string {
		return fmt.Sprintf("closed cuts narrower than the kerf: %d, the narrowest %s mm", n, mm(um))
	}, "widen them, or leave them out"},
	contour.BelowResolution: {func(n int, um int64) string {
		return fmt.Sprintf("lines smaller than the machine can draw: %d, the smallest %s mm", n, mm(um))
	}, "leave them out of the drawing"},
	contour.NearCuts: {func(n int, um int64) string {
		return fmt.Sprintf("cuts so near to each other that nothing stands between them: %d, the nearest %s mm apart", n, mm(um))
	}, "move them apart, or draw one line"},
	contour.ThinBridge: {func(n int, um int64) string {
		return fmt.Sprintf("narrow bridges in a piece: %d, the narrowest %s mm", n, mm(um))
	}, "widen them, or look on a test piece whether they hold"},
	contour.ThinWeb: {func(n int, um int64) string {
		return fmt.Sprintf("narrow webs of the sheet between pieces: %d, the narrowest %s mm", n, mm(um))
	}, "move the pieces apart if the web should hold"},
	contour.MayFall: {func(n int, _ int64) string { return fmt.Sprintf("pieces that may fall between the supports: %d", n) },
		"give them tabs if they should stay"},
	contour.MayTip: {func(n int, _ int64) string { return fmt.Sprintf("pieces that may tip once they are loose: %d", n) },
		"give them tabs if they should stay"},
}

func (m *maker) tellFinding(f contour.Finding) {
	words := findingWords[f.Kind]
	m.noteAt(words.what(f.Count, f.Places[0].UM), f.Places[0].At, words.next)
}

// tellKerf says what becomes of a line that is moved by half a kerf.
func (m *maker) tellKerf(f kerf.Finding) {
	const next = "widen it, or cut where the lines are drawn"
	switch f.Kind {
	case kerf.Vanished:
		m.noteAt("a shape is narrower than the kerf, and nothing of it is cut", f.At, next)
	case kerf.Split:
		m.noteAt(fmt.Sprintf("a part of a shape is narrower than the kerf, and the rest is cut in pieces: %d", f.Count), f.At, next)
	case kerf.Narrow:
		m.noteAt(fmt.Sprintf("slots or arms narrower than the kerf are lost: %d", f.Count), f.At, next)
	case kerf.Crossing:
		m.noteAt("a cut line crosses itself, and its outer edge is taken", f.At, "draw it without the crossing")
	case kerf.Overlap:
		m.noteAt("two cuts run into each other, and the kerf takes away what is between them", f.At, "move the shapes apart")
	}
}

// warnSetup tells what the set-up means for this drawing.
func (m *maker) warnSetup() {
	if m.noTabs > 0 {
		m.warn(fmt.Sprintf("outlines without a straight stretch that is long enough for a holding tab: %d", m.noTabs), "choices",
			"choose narrower tabs, or hold the pieces down")
	}
	if m.tool.Kind != machine.ToolBeam {
		return
	}
	m.tellRunIns()
	if s := m.tool.Switch; s.OffDelayMS+s.JitterMS >= slowSwitchMS && !s.InMotion {
		m.warn("the beam rests on the end of every line while it goes off: "+m.dwell(s.OffDelayMS+s.JitterMS),
			"tool", "look for burnt spots on a test piece first; a faster switch avoids them")
	}
	if m.req.Material.Verdict == material.WithCare {
		m.warn(fmt.Sprintf("%s is to be worked with care", named(m.req.Material.Name)), "material", "read what the material's page says before signing off")
	}
}
