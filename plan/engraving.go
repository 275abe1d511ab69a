package plan

import (
	"errors"
	"fmt"

	"kerfgate/plan/contour"
	"kerfgate/plan/drawing"
	"kerfgate/plan/engrave"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// mostLoneRows bounds how many rows of an area are ordered one by one, where the tool is switched
// only at rest; more are done bottom up.
const mostLoneRows = 20_000

// pattern is how this tool and setting fill an area or a picture.
func (m *maker) pattern(group string) engrave.Pattern {
	p := m.req.Profile
	return engrave.Pattern{
		PitchUM: m.pitch(), SpotUM: m.tool.SpotUM, SpeedUMPerS: m.settings[Engrave].SpeedUMPerS, AccelUMPerS2: p.AccelXUMPerS2, TravelUMPerS: p.TravelSpeedUMPerS,
		OneWay: p.BacklashXUM > m.pitch()/4, Switch: m.tool.Switch, Halftone: m.req.Choices.Halftones[group],
	}
}

// pitch is from row to row: as chosen, or else the width of the tool's line, within what can be engraved.
func (m *maker) pitch() int64 {
	if chosen := m.req.Choices.LinePitchUM; chosen > 0 {
		return chosen
	}
	return min(engrave.MostPitchUM, max(engrave.LeastPitchUM, m.tool.SpotUM))
}

// tellPitch says what a chosen pitch makes of the energy that the setting puts on an area.
func (m *maker) tellPitch() {
	if m.tool.Kind != machine.ToolBeam || m.tool.SpotUM <= 0 || m.pitch() == m.tool.SpotUM {
		return
	}
	what := fmt.Sprintf("the lines to engrave lie %s mm apart, and the beam's line is %s mm wide: the area gets %.2f times what lines side by side would give it",
		mm(m.pitch()), mm(m.tool.SpotUM), float64(m.tool.SpotUM)/float64(m.pitch()))
	m.warn(what, "choices", "try it on a corner of the sheet first, or leave the line pitch to the tool")
}

// engraving takes the lines of engraved groups out and gives the rows that fill what they and the
// group's areas enclose, and those of the pictures. Open lines have no inside: they are named and left
// out.
func (m *maker) engraving(lines []contour.Line, d *drawing.Drawing, g grouping) (rest []contour.Line, rows []task) {
	open := make([]int, len(g.groups))
	rest = make([]contour.Line, 0, len(lines))
	for _, l := range lines {
		switch {
		case Operation(l.Op) != Engrave:
			rest = append(rest, l)
		case l.Closed: // joined out of open ones
			m.areas[l.Group] = append(m.areas[l.Group], engrave.Area{Outlines: [][]geom.Point{l.Points}, EvenOdd: true})
		default:
			open[l.Group]++
		}
	}
	limits := engrave.Limits{Crossings: mostCrossings, Spans: mostCrossings}
	defer func() {
		if len(rows) > 0 {
			m.tellPitch()
		}
	}()
	for i, areas := range m.areas {
		where := "group " + g.groups[i].Letter
		if open[i] > 0 {
			m.warn(fmt.Sprintf("open lines have no inside to engrave and are left out: %d", open[i]), where,
				"close them in the drawing, or mark them instead")
		}
		if len(areas) == 0 {
			continue
		}
		if n := fillColours(d, g, i); n > 1 {
			m.warn(fmt.Sprintf("filled shapes of %d colours are engraved alike, also where one lies on another", n), where,
				"cut holes out of the shapes in the drawing, or put what is to stay out into a layer of its own")
		}
		made, err := engrave.Areas(areas, m.pattern(g.groups[i].Letter), limits)
		rows = m.rows(rows, i, g.groups[i], made, err)
	}
	for k, picture := range d.Pictures {
		i := g.pictures[k]
		if m.ops[i] != Engrave {
			continue // assign has said why
		}
		made, err := engrave.Picture(picture, m.pattern(g.groups[i].Letter), limits)
		rows = m.rows(rows, i, g.groups[i], made, err)
	}
	return rest, rows
}

// rows appends what was made for a group as tasks.
func (m *maker) rows(to []task, group int, g Group, made []engrave.Row, err error) []task {
	var refusal *engrave.Refusal
	if errors.As(err, &refusal) {
		m.refuse(Reason{What: refusal.What, Next: refusal.Next, Field: "operations." + g.Letter, Limit: refusal.Limit, Value: refusal.Value})
		return to
	} else if err != nil {
		m.refuse(Reason{What: err.Error(), Next: "engrave less, or mark the outlines", Field: "operations." + g.Letter})
		return to
	}
	one := task{op: Engrave, group: group, line: -1, pitch: m.pitch()}
	lone := len(made) <= mostLoneRows
	for _, r := range made {
		lone = lone && len(r.On) == 0
	}
	if !lone {
		one.rows = made
		return append(to, one)
	}
	for _, r := range made {
		one.rows = []engrave.Row{r}
		to = append(to, one)
	}
	return to
}

// copied are the rows once for each offset.
func copied(rows []task, offsets []geom.Point) []task {
	if len(offsets) == 1 {
		return rows
	}
	out := make([]task, 0, len(rows)*len(offsets))
	for _, d := range offsets {
		for _, t := range rows {
			t.rows = shifted(t.rows, d)
			out = append(out, t)
		}
	}
	return out
}
