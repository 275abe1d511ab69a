package plan

import (
	"fmt"

	"kerfgate/plan/geom"
	"kerfgate/plan/kerf"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
)

// strokes gives every visit its setting, its run-in, tabs and overlap, its passes, and the rests that
// the tool needs.
func (m *maker) strokes(visits []task, groups []Group, c cutting, frees []int64, extents geom.Box) []Stroke {
	waste := m.waste(c, extents)
	count := 0 // unless some are divided
	for _, v := range visits {
		count += max(1, len(v.rows)) * int(m.settingOf(v).Passes)
	}
	count = min(count, mostPoints/2)
	strokes := make([]Stroke, 0, count)
	m.pitches, m.again = make([]int64, 0, count), make([]bool, 0, count)
	points, divided := 0, 0
	for k, v := range visits {
		setting := m.settingOf(v)
		for _, way := range m.ways(v, frees[k] > 0, waste) {
			if len(m.reasons) > 0 {
				return nil
			}
			parts, ok := m.withinLongestOn(way, setting.SpeedUMPerS)
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
					if points += len(part.points); points > mostPoints {
						m.refuse(Reason{What: "the plan has too many points", Next: "simplify the drawing or take fewer passes",
							Field: "drawing", Limit: fmt.Sprint(mostPoints), Value: "more"})
						return nil
					}
					s := Stroke{
						Operation: v.op, Group: groups[v.group].Letter, Closed: v.closed && len(parts) == 1,
						Points: part.points, On: part.on, SpeedUMPerS: setting.SpeedUMPerS, PowerPermille: setting.PowerPermille,
					}
					if pass == setting.Passes-1 && i == len(parts)-1 {
						s.Piece = frees[k]
					}
					strokes = append(strokes, s)
					m.pitches = append(m.pitches, v.pitch)
					m.again = append(m.again, pass > 0)
				}
				if !v.closed { // the next pass runs back over the same line
					parts = turnedParts(parts)
				}
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

// placedAtOrigin moves strokes and pieces so that the lower left corner of all that is marked becomes the
// plan's origin: the extents of the lines, and run-ins that reach out of them. It gives those extents as
// they lay before.
func placedAtOrigin(strokes []Stroke, pieces []Piece, extents geom.Box) geom.Box {
	for _, s := range strokes {
		if s.Operation != Cut || len(s.Points) == 0 || (geom.Box{Min: s.Points[0], Max: s.Points[0]}).Inside(extents) {
			continue // what is not run into lies within the extents
		}
		if box, ok := geom.BoxOf(s.Marked()[0]...); ok {
			extents = extents.Union(box)
		}
	}
	origin := geom.Pt(-extents.Min.X, -extents.Min.Y)
	var here, there []geom.Point
	for i, s := range strokes {
		if here == nil || &s.Points[0] != &here[0] { // passes in turn share their points
			here, there = s.Points, movedBy(s.Points, origin)
		}
		strokes[i].Points = there
	}
	for i := range pieces {
		pieces[i].Extents = pieces[i].Extents.Move(origin)
	}
	return extents
}

// ways are what one visit goes along.
func (m *maker) ways(v task, frees bool, waste *kerf.Sheet) []began {
	if len(v.rows) > 0 {
		out := make([]began, len(v.rows))
		for i, r := range v.rows {
			out[i] = began{r.Points, r.On}
		}
		return out
	}
	if v.op != Cut || !v.closed || m.tool.Kind != machine.ToolBeam {
		return []began{{points: v.points}}
	}
	b, err := m.begin(v.points, frees, waste)
	if err != nil {
		m.refuse(Reason{What: err.Error(), Next: "choose other tabs or another run-in", Field: "choices"})
	}
	return []began{b}
}

func turnedParts(parts []began) []began {
	out := make([]began, 0, len(parts))
	for i := len(parts) - 1; i >= 0; i-- {
		out = append(out, began{turnedRound(parts[i].points), mirrored(parts[i].on, geom.Length(parts[i].points))})
	}
	return out
}

// withinLongestOn divides a stroke so that each part keeps the tool on no longer than it may be.
func (m *maker) withinLongestOn(way began, speed int64) ([]began, bool) {
	if m.tool.LongestOnMS <= 0 {
		return []began{way}, true
	}
	limits := motion.LimitsOf(m.req.Profile)
	most := (m.tool.LongestOnMS - m.tool.Switch.OffDelayMS) * 1000
	if most <= 0 {
		return nil, false
	}
	need := limits.StrokeMicros(way.points, speed)
	for n := (need + most - 1) / most; n <= 10_000; n += max(1, n/8) {
		parts := dividedWay(way, int(max(1, n)))
		fits := true
		for _, part := range parts {
			fits = fits && limits.StrokeMicros(part.points, speed) <= most
		}
		if fits {
			return parts, true
		}
	}
	return nil, false
}

// dividedWay cuts a way and what is on of it into n parts of equal length.
func dividedWay(way began, n int) []began {
	if n == 1 {
		return []began{way}
	}
	var out []began
	at := int64(0)
	for _, points := range geom.Divide(way.points, n) {
		part := began{points: points}
		length := geom.Length(points)
		for _, s := range way.on {
			if from, to := max(0, s.From-at), min(length, s.To-at); from < to {
				part.on = append(part.on, geom.Span{From: from, To: to})
			}
		}
		if len(way.on) == 0 || len(part.on) > 0 {
			out = append(out, part)
		}
		at += length
	}
	return out
}

// seconds prints ms as seconds without trailing zeros.
func seconds(ms int64) string { return mm(ms) }
