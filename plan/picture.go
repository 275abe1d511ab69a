package plan

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"

	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// ink is the one colour of pictures: near black, to lie on any light ground. Nothing is told by
// colour; operations differ by their lines.
const ink = "#1c1b19"

// mostPictureRows bounds how many lines of a filling a picture shows.
const mostPictureRows = 2_000

// Picture draws the plan on one sheet, a little in from the sheet's lower left corner since nobody
// has placed it yet, as an SVG document to scale (one user unit is a millimetre): sheet edge, cut solid and thick, mark dashed,
// engrave as the level lines that it consists of, draw thin, travel thin and dotted, drop-outs
// hatched. It holds no script, no style and nothing of the drawing's bytes, and may be put into a
// page as it is.
func Picture(p *Plan, profile machine.Profile) []byte {
	sheet := geom.Box{Max: p.SheetSize}
	spare := p.SheetSize.Sub(p.Extents.Max)
	in := geom.Pt(max(0, min(5_000, spare.X/2)), max(0, min(5_000, spare.Y/2)))
	return draw(p, profile, view{sheet: sheet, frame: sheet.Union(p.Extents.Move(in)), origin: in})
}

// PicturePlaced draws the plan where it lies on the bed, with the machine's travel and hard stops
// in thin lines. All are machine coordinates in µm.
func PicturePlaced(p *Plan, profile machine.Profile, origin geom.Point, sheet geom.Box) []byte {
	frame := profile.HardStops.Union(profile.TravelUM).Union(sheet).Union(p.Extents.Move(origin))
	return draw(p, profile, view{sheet: sheet, frame: frame, origin: origin, bed: true})
}

// view is what a picture shows around the plan, in the coordinates of the bed.
type view struct {
	sheet, frame geom.Box
	origin       geom.Point
	bed          bool // with travel and hard stops
}

// canvas writes SVG; y is turned over, since SVG's grows downwards.
type canvas struct {
	bytes.Buffer
	view
	unit int64 // µm that look about as wide as a hair on the whole picture
}

func draw(p *Plan, profile machine.Profile, v view) []byte {
	c := &canvas{view: v, unit: max(10, max(v.frame.Width(), v.frame.Height())/500)}
	margin := 4 * c.unit
	c.frame.Min, c.frame.Max = c.frame.Min.Sub(geom.Pt(margin, margin)), c.frame.Max.Add(geom.Pt(margin, margin))
	// Names of parts must differ between pictures on one page.
	name := canon.Sum(fmt.Appendf(nil, "%s %s %s %v %v", p.Drawing, p.Profile, p.Tool, p.Numbers, v)).Short()
	drops := 0
	for _, piece := range p.Pieces {
		if piece.Dropout {
			drops++
		}
	}
	fmt.Fprintf(c, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" role="img" aria-labelledby="plan-title-%s">`,
		mm(c.frame.Width()), mm(c.frame.Height()), name)
	fmt.Fprintf(c, `<title id="plan-title-%s">Plan, %s by %s mm; pieces: %d, drop-outs: %d</title>`,
		name, mm(p.Extents.Width()), mm(p.Extents.Height()), len(p.Pieces)-drops, drops)
	fmt.Fprintf(c, `<defs><pattern id="dropout-%s" width="%s" height="%s" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">`+
		`<path d="M0 0V%s" fill="none" stroke="%s" stroke-width="%s"/></pattern></defs>`,
		name, mm(5*c.unit), mm(5*c.unit), mm(5*c.unit), ink, mm(c.unit))
	fmt.Fprintf(c, `<g fill="none" stroke="%s" stroke-linejoin="round">`, ink)
	if c.bed {
		c.box("hard-stops", profile.HardStops, c.unit/2, `stroke-opacity="0.45"`)
		c.box("travel-range", profile.TravelUM, c.unit/2, fmt.Sprintf(`stroke-opacity="0.45" stroke-dasharray="%s %s"`, mm(6*c.unit), mm(3*c.unit)))
	}
	c.box("sheet-edge", c.sheet, c.unit/2, "")
	c.dropouts(p, name)
	c.travel(p)
	c.operation(p, Engrave, c.unit/3, "")
	c.operation(p, Mark, c.unit, fmt.Sprintf(`stroke-dasharray="%s %s"`, mm(5*c.unit), mm(3*c.unit)))
	c.operation(p, Draw, c.unit/2, "")
	c.operation(p, Cut, 2*c.unit, "")
	c.WriteString("</g></svg>")
	return c.Bytes()
}

func (c *canvas) box(class string, b geom.Box, width int64, attrs string) {
	corner := geom.Pt(b.Min.X, b.Max.Y)
	fmt.Fprintf(c, `<rect class="%s" x="%s" y="%s" width="%s" height="%s" stroke-width="%s" %s/>`,
		class, mm(corner.X-c.frame.Min.X), mm(c.frame.Max.Y-corner.Y), mm(b.Width()), mm(b.Height()), mm(width), attrs)
}

// point writes a position of the plan.
func (c *canvas) point(command byte, p geom.Point) {
	p = p.Add(c.origin)
	c.WriteByte(command)
	c.WriteString(mm(p.X - c.frame.Min.X))
	c.WriteByte(' ')
	c.WriteString(mm(c.frame.Max.Y - p.Y))
}

// polyline writes points, leaving out those that nobody could tell from the one before.
func (c *canvas) polyline(points []geom.Point, closed bool) {
	last := points[0]
	c.point('M', last)
	for i, p := range points[1:] {
		d := p.Sub(last)
		end := i == len(points)-2
		if end && closed {
			c.WriteByte('Z')
			return
		}
		if end || max(d.X, -d.X, d.Y, -d.Y) >= c.unit/8 {
			c.point('L', p)
			last = p
		}
	}
}

// operation writes all strokes of one operation as one path.
func (c *canvas) operation(p *Plan, op Operation, width int64, attrs string) {
	total := 0
	for _, s := range p.Strokes {
		if s.Operation == op {
			total++
		}
	}
	if total == 0 {
		return
	}
	every := 1
	if op == Engrave {
		every = (total + mostPictureRows - 1) / mostPictureRows
	}
	fmt.Fprintf(c, `<path class="%s" stroke-width="%s" %s d="`, op, mm(max(1, width)), attrs)
	var before []geom.Point
	n := 0
	for _, s := range p.Strokes {
		if s.Operation != op || samePath(before, s.Points) {
			continue
		}
		before = s.Points
		if n++; n%every == 0 {
			c.polyline(s.Points, s.Closed)
		}
	}
	c.WriteString(`"/>`)
}

// samePath says whether b is a again, forwards or backwards: another pass of one line.
func samePath(a, b []geom.Point) bool {
	if len(a) != len(b) || len(a) == 0 {
		return false
	}
	if a[0] == b[0] && slices.Equal(a, b) {
		return true
	}
	for i := range a {
		if a[i] != b[len(b)-1-i] {
			return false
		}
	}
	return true
}

// travel writes the way with the tool off between strokes.
func (c *canvas) travel(p *Plan) {
	if len(p.Strokes) == 0 {
		return
	}
	fmt.Fprintf(c, `<path class="travel" stroke-width="%s" stroke-linecap="round" stroke-dasharray="0 %s" d="`, mm(max(1, c.unit/2)), mm(2*c.unit))
	at := geom.Point{}
	c.point('M', at)
	for _, s := range p.Strokes {
		if at != s.Points[0] {
			c.point('L', s.Points[0])
		}
		at = s.Points[len(s.Points)-1]
		if at != s.Points[0] {
			c.point('M', at)
		}
	}
	c.WriteString(`"/>`)
}

// dropouts hatches what falls out as waste. Outlines within it are pieces again, which even-odd
// leaves free.
func (c *canvas) dropouts(p *Plan, name string) {
	outlines, drop := freed(p)
	closed := make([]bool, len(outlines))
	for i := range closed {
		closed[i] = true
	}
	parents := geom.Nest(outlines, closed)
	if !slices.Contains(drop, true) {
		return
	}
	fmt.Fprintf(c, `<path class="drop-out" stroke="none" fill="url(#dropout-%s)" fill-rule="evenodd" d="`, name)
	for i, points := range outlines {
		if drop[i] || parents[i] >= 0 && drop[parents[i]] {
			c.polyline(points, true)
		}
	}
	c.WriteString(`"/>`)
}

// freed gives the closed outline of every piece and drop-out; one that was divided for the tool's
// rests is put together again.
func freed(p *Plan) (outlines [][]geom.Point, drop []bool) {
	for i, s := range p.Strokes {
		if s.Piece == 0 {
			continue
		}
		points := s.Points
		for k := i - 1; k >= 0 && points[0] != points[len(points)-1]; k-- {
			before := p.Strokes[k].Points
			if before[len(before)-1] != points[0] {
				break
			}
			points = append(slices.Clone(before), points[1:]...)
		}
		outlines = append(outlines, points)
		drop = append(drop, int(s.Piece) <= len(p.Pieces) && p.Pieces[s.Piece-1].Dropout)
	}
	return outlines, drop
}

// mm prints µm as millimetres, or any thousandths, without trailing zeros.
func mm(um int64) string {
	text := strconv.FormatInt(um/1000, 10)
	r := um % 1000
	if um < 0 {
		r = -r
		if um > -1000 {
			text = "-0"
		}
	}
	if r == 0 {
		return text
	}
	digits := fmt.Sprintf("%03d", r)
	for digits[len(digits)-1] == '0' {
		digits = digits[:len(digits)-1]
	}
	return text + "." + digits
}
