package api

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"strconv"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

// lineStyles tells operations apart by width, in line widths, and dashes; never by colour.
var lineStyles = map[plan.Operation]struct {
	width  float64
	dashed bool
}{
	plan.Engrave: {1.0, false},
	plan.Mark:    {1.2, true},
	plan.Draw:    {1.6, false},
	plan.Cut:     {2.4, false},
}

// drawPlan writes the plan as an SVG 1.1 picture in millimetres, y upwards as on the bed: sheet
// edge, strokes by operation, travel thin and dotted, drop-outs shaded. It is drawn from the plan's
// own geometry; nothing of the drawing's bytes is in it.
func drawPlan(b *bytes.Buffer, p *plan.Plan) {
	view := p.Extents.Union(geom.Box{Max: p.SheetSize})
	margin := max(view.Width(), view.Height())/40 + 1000
	left, top := view.Min.X-margin, view.Max.Y+margin
	width, height := view.Width()+2*margin, view.Height()+2*margin
	line := float64(max(width, height)) / 1000 / 800
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="%s %s %s %s">`,
		decimal(width), decimal(height), decimal(left), decimal(-top), decimal(width), decimal(height))
	b.WriteString("<title>")
	_ = xml.EscapeText(b, []byte("plan for "+p.Tool+" on "+p.Material)) // a buffer takes everything
	b.WriteString("</title>\n")
	fmt.Fprintf(b, `<rect x="%s" y="%s" width="%s" height="%s" fill="#fbf8f1"/>`+"\n",
		decimal(left), decimal(-top), decimal(width), decimal(height))
	fmt.Fprintf(b, `<g fill="none" stroke="#1c1a17" stroke-width="%.3f" stroke-linejoin="round" stroke-linecap="round">`+"\n", line)
	fmt.Fprintf(b, `<rect x="0" y="%s" width="%s" height="%s" stroke-dasharray="%.3f %.3f"/>`+"\n",
		decimal(-p.SheetSize.Y), decimal(p.SheetSize.X), decimal(p.SheetSize.Y), 6*line, 3*line)
	dropouts := map[int64]bool{}
	for _, x := range p.Pieces {
		dropouts[x.Number] = x.Dropout
	}
	last, begun := geom.Point{}, false
	for _, s := range p.Strokes {
		if len(s.Points) == 0 {
			continue
		}
		if begun && s.Points[0] != last {
			fmt.Fprintf(b, `<path d="M%s %sL%s %s" stroke-width="%.3f" stroke-dasharray="%.3f %.3f"/>`+"\n",
				decimal(last.X), decimal(-last.Y), decimal(s.Points[0].X), decimal(-s.Points[0].Y), line/2, line/2, 2*line)
		}
		style := lineStyles[s.Operation]
		fmt.Fprintf(b, `<path stroke-width="%.3f"`, style.width*line)
		if style.dashed {
			fmt.Fprintf(b, ` stroke-dasharray="%.3f %.3f"`, 5*line, 3*line)
		}
		if s.Closed && dropouts[s.Piece] {
			b.WriteString(` fill="#1c1a17" fill-opacity="0.12"`)
		}
		b.WriteString(` d="`)
		for i, at := range s.Points {
			letter := "L"
			if i == 0 {
				letter = "M"
			}
			b.WriteString(letter + decimal(at.X) + " " + decimal(-at.Y))
		}
		if s.Closed {
			b.WriteString("Z")
		}
		b.WriteString("\"/>\n")
		last, begun = s.Points[len(s.Points)-1], true
	}
	b.WriteString("</g></svg>\n")
}

// decimal writes micrometres as millimetres.
func decimal(um int64) string { return strconv.FormatFloat(mm(um), 'f', -1, 64) }
