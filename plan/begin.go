package plan

import (
	"errors"
	"fmt"
	"math"

	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
)

// began is a closed cut with where it begins, what is left standing and how far it goes on.
type began struct {
	points []geom.Point
	on     []geom.Span
}

// approach is how closed cuts are begun and ended; lengths in µm.
type approach struct {
	way     int64 // of the run-in; 0 = none
	lit     int64 // the last part of it, with the beam on
	overlap int64 // past the beginning, with the beam on
	beyond  int64 // and on from there without it, so that the carriage need not stop under the beam
	need    int64 // of the way, what the switch needs
	speed   int64 // µm/s
	toSpeed int64 // of the way, what the carriage needs to reach the speed
}

// slowSwitchMS is from how long a delay on a switch is taken for slow: then what the beam does while it
// is waited for leaves a mark. Own choice.
const slowSwitchMS = 50

// approach says how this machine begins closed cuts: as was chosen, and no shorter than a slow switch
// needs where it is switched in motion. A fast one needs no way, and one that is switched only while the
// carriage stands gains nothing by it.
func (m *maker) approach() approach {
	c, s, p := m.req.Choices, m.tool.Switch, m.req.Profile
	a := approach{way: c.RunInUM, lit: c.RunInUM, overlap: c.OverlapUM, speed: m.settings[Cut].SpeedUMPerS}
	if m.tool.Kind != machine.ToolBeam || a.speed == 0 || !s.InMotion || s.OnDelayMS+s.JitterMS < slowSwitchMS {
		return a
	}
	accel := min(p.AccelXUMPerS2, p.AccelYUMPerS2)
	need, err := kerf.RunInNeedUM(s, a.speed, accel)
	if err != nil {
		return a // checkProfile has said why
	}
	late := motion.JitterUM(float64(a.speed), s.JitterMS)
	a.need, a.toSpeed = need, int64(math.Ceil(float64(a.speed)*float64(a.speed)/(2*float64(accel))))
	a.lit, a.overlap = max(a.lit, late), max(a.overlap, late)
	a.way, a.beyond = max(a.lit, need), late+a.toSpeed
	return a
}

// waste knows where run-ins may lie; nil where none are wanted. Around what is marked they may lie as
// far out as sheet and travel surely have room, wherever the plan is placed.
func (m *maker) waste(c cutting, extents geom.Box) *kerf.Sheet {
	way := m.approach().way
	if way == 0 || m.tool.Kind != machine.ToolBeam {
		return nil
	}
	var lines [][]geom.Point
	for _, l := range c.lines {
		if Operation(l.Op) == Cut {
			lines = append(lines, l.Points)
		}
	}
	s, travel := m.req.Stock, m.req.Profile.TravelUM
	x := max(0, min(way, (min(s.SheetWidthUM, travel.Width())-extents.Width())/2))
	y := max(0, min(way, (min(s.SheetHeightUM, travel.Height())-extents.Height())/2))
	return kerf.NewSheet(lines, geom.Box{Min: extents.Min.Sub(geom.Pt(x, y)), Max: extents.Max.Add(geom.Pt(x, y))})
}

// begin gives a closed cut its run-in, tabs and overlap. It begins at its first point unless a run-in
// leads elsewhere. Where a run-in was asked for the beam is on along it, in waste; what a slow switch
// needs besides lies before that, without the beam.
func (m *maker) begin(ring []geom.Point, frees bool, waste *kerf.Sheet) (began, error) {
	a := m.approach()
	in := kerf.RunIn{From: ring[0], Contour: ring} // none
	if waste != nil {
		found, err := waste.RunIn(ring, a.way)
		switch {
		case errors.Is(err, kerf.ErrNoWaste):
			m.noRunIn.add(0, ring[0])
		case err != nil:
			return began{}, err
		default:
			if in = found; in.LengthUM < a.way {
				m.shortRunIn.add(in.LengthUM, in.Contour[0])
			}
		}
	}
	var off []geom.Span
	if rule, ok := m.req.Choices.Tabs.rule(m.req.Profile.SmallestStepUM); ok && frees {
		var err error
		off, err = kerf.Tabs(in.Contour, rule)
		switch {
		case errors.Is(err, kerf.ErrNoStraight):
			m.noTabs++
		case err != nil:
			return began{}, err
		}
	}
	quarter := geom.Length(in.Contour) / 4
	beyond := min(a.beyond, quarter)
	points, on, err := in.Stroke(off, min(a.overlap, quarter), beyond)
	dark := max(0, in.LengthUM-a.lit)
	if err != nil || len(off) == 0 && dark == 0 && beyond == 0 {
		return began{points: points}, err
	}
	if on[0].From == in.LengthUM {
		on[0].From = dark
	}
	return began{points, on}, nil
}

// rule is how tabs are placed; ok is false where none are wanted.
func (t Tabs) rule(stepUM int64) (r kerf.TabRule, ok bool) {
	if t.Count == 0 && t.SpacingUM == 0 {
		return r, false
	}
	width := t.WidthUM
	if width == 0 {
		width = DefaultTabUM
	}
	return kerf.TabRule{Count: int(t.Count), SpacingUM: t.SpacingUM, WidthUM: width, StraightUM: 2 * tolerance(stepUM)}, true
}

// shortage counts cuts whose run-in is too short, and keeps the worst of them.
type shortage struct {
	n     int
	least int64 // µm that there are
	at    geom.Point
}

func (s *shortage) add(um int64, at geom.Point) {
	if s.n == 0 || um < s.least {
		s.least, s.at = um, at
	}
	s.n++
}

// tellRunIns says which cuts begin without the way that they should have, and what comes of it.
func (m *maker) tellRunIns() {
	a, s := m.approach(), m.tool.Switch
	const next = "look for a mark there; more room around the cuts avoids it"
	wanted := "what was asked for"
	if a.way == a.need {
		wanted = fmt.Sprintf("what its switch needs, %d ms and at worst %d more at %s mm/s and %s mm to reach that speed",
			s.OnDelayMS, s.JitterMS, mm(a.speed), mm(a.toSpeed))
	}
	if n := m.shortRunIn; n.n > 0 {
		m.noteAt(fmt.Sprintf("closed cuts with less waste to run in over than they should have: %d; the worst has %s mm of %s mm (%s)",
			n.n, mm(n.least), mm(a.way), wanted), n.at, next)
	}
	if n := m.noRunIn; n.n > 0 {
		what := fmt.Sprintf("closed cuts beside which there is no waste to run in over: %d", n.n)
		if a.need > 0 {
			what += "; the beam may be on while the carriage stands: " + m.dwell(s.OnDelayMS+s.JitterMS)
		}
		m.noteAt(what, n.at, next)
	}
}

// dwell is what a beam leaves on one spot in a time.
func (m *maker) dwell(ms int64) string {
	watts, seconds := float64(m.tool.PowerMW)/1000, float64(ms)/1000
	joules := math.Round(float64(watts*seconds)*100) / 100
	return fmt.Sprintf("%g s of %g W on one spot is %g J", seconds, watts, joules)
}
