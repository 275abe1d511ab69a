package plan

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// Colours of a picture that stands alone. Lines are drawn in currentColor and the two grounds have
// class names, so that a page puts its own theme's in their place. Nothing is told by colour:
// operations differ by their lines.
const (
	ink    = "#1c1b19"
	ground = "#fffdf6"
	stock  = "#efe5cf"
)

// mostPicturePoints bounds a picture's size: beyond it lines are drawn more coarsely.
const mostPicturePoints = 20_000

// Of what a player of Steps needs in a picture: pieces whose outlines it can show, and their points.
const (
	mostPicturePieces = 200
	mostPieceCorners  = 10_000
)

// mostPictureTravels bounds how many ways between strokes a picture shows.
const mostPictureTravels = 4_000

// Picture draws the plan on its sheet, whose lower left corner lies at the plan's origin, as an SVG
// document to scale (one user unit is a millimetre): sheet edge, cut solid and thick, mark dashed,
// engrave as some of the level lines that it consists of, draw thin, travel thin and dotted,
// drop-outs hatched, hot spots shaded by crossed lines, a dot at the origin.
//
// For a page that steps through the plan (Steps) the outline of each piece and drop-out is there too, not
// drawn, with data-piece and the id "…-piece-" and its number, and a dot for the carriage, hidden, with
// the id "…-carriage".
//
// It holds no script, no style attribute and nothing of the drawing's bytes, and may be put into a
// page as it is. The ids in it begin with id, which is a word of letters, digits and hyphens that no
// other picture of the page has. A page sets the colour of .plan and the fill of .plan .ground and
// .plan .sheet-edge; left alone, it is near black on a light ground.
func Picture(p *Plan, id string) []byte {
	sheet := geom.Box{Max: p.SheetSize}
	return newCanvas(sheet.Union(p.Extents)).draw(p, id, sheet)
}

// PicturePlaced is Picture with the machine's hard stops and travel, both to scale, around the
// sheet; origin is where the plan's origin lies on the bed, in machine coordinates (µm).
func PicturePlaced(p *Plan, id string, profile machine.Profile, origin geom.Point) []byte {
	sheet := geom.Box{Max: p.SheetSize}
	back := geom.Pt(-origin.X, -origin.Y)
	travel, stops := profile.TravelUM.Move(back), profile.HardStops.Move(back)
	return newCanvas(sheet.Union(p.Extents).Union(travel).Union(stops)).draw(p, id, sheet, stops, travel)
}

// canvas writes SVG in the plan's coordinates; y is turned over, since SVG's grows downwards.
type canvas struct {
	bytes.Buffer
	frame geom.Box
	unit  int64 // µm that look about as wide as a fine pen's line on the whole picture
	near  int64 // points closer than this, in µm along x and y, count as one
}

func newCanvas(frame geom.Box) *canvas {
	unit := max(10, max(frame.Width(), frame.Height())/250)
	margin := geom.Pt(5*unit, 5*unit)
	return &canvas{frame: geom.Box{Min: frame.Min.Sub(margin), Max: frame.Max.Add(margin)}, unit: unit, near: unit / 8}
}

// draw writes the whole picture; bed is nothing, or hard stops and travel.
func (c *canvas) draw(p *Plan, id string, sheet geom.Box, bed ...geom.Box) []byte {
	u := c.unit
	drops := 0
	for _, piece := range p.Pieces {
		if piece.Dropout {
			drops++
		}
	}
	fmt.Fprintf(c, `<svg xmlns="http://www.w3.org/2000/svg" class="plan" width="%smm" height="%smm" viewBox="0 0 %[1]s %[2]s" color="%s" role="img" aria-labelledby="%s-title">`,
		mm(c.frame.Width()), mm(c.frame.Height()), ink, id)
	fmt.Fprintf(c, `<title id="%s-title">Plan, %s by %s mm on a sheet of %s by %s mm; pieces: %d, drop-outs: %d</title>`,
		id, mm(p.Extents.Width()), mm(p.Extents.Height()), mm(sheet.Width()), mm(sheet.Height()), len(p.Pieces)-drops, drops)
	fmt.Fprintf(c, `<defs><pattern id="%s-drop-out" width="%s" height="%[2]s" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">`+
		`<path d="M0 0V%[2]s" fill="none" stroke="currentColor" stroke-width="%[3]s"/></pattern>`, id, mm(u*18/10), mm(u/2))
	if len(p.Hot) > 0 {
		fmt.Fprintf(c, `<pattern id="%s-hot" width="%s" height="%[2]s" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">`+
			`<path d="M0 0V%[2]sM0 0H%[2]s" fill="none" stroke="currentColor" stroke-width="%[3]s"/></pattern>`, id, mm(u*9/10), mm(u*4/10))
	}
	c.WriteString(`</defs>`)
	c.box("ground", c.frame, `fill="`+ground+`"`)
	c.WriteString(`<g fill="none" stroke="currentColor" stroke-linejoin="round">`)
	c.box("sheet-edge", sheet, fmt.Sprintf(`fill="%s" stroke-width="%s"`, stock, mm(u)))
	for i, class := range []string{"hard-stops", "travel-range"}[:len(bed)] {
		attrs := fmt.Sprintf(`stroke-width="%s"`, mm(u*6/10))
		if class == "travel-range" {
			attrs += fmt.Sprintf(` stroke-dasharray="%s %s"`, mm(5*u), mm(5*u))
		}
		c.box(class, bed[i], attrs)
	}
	shown := c.fitting(p)
	c.dropouts(p, id)
	c.travel(p)
	c.operation(shown, Engrave, u*7/10, "")
	c.operation(shown, Mark, u*12/10, fmt.Sprintf(`stroke-dasharray="%s %s"`, mm(4*u), mm(2*u)))
	// Round ends show even what is too small for an outline as a dot.
	c.operation(shown, Draw, u*9/10, `stroke-linecap="round"`)
	c.operation(shown, Cut, u*18/10, `stroke-linecap="round"`)
	c.hotSpots(p, id)
	c.pieces(p, id)
	c.WriteString(`</g>`)
	for _, dot := range []string{`origin"`, `carriage" visibility="hidden" id="` + id + `-carriage"`} {
		fmt.Fprintf(c, `<circle class="%s cx="%s" cy="%s" r="%s" fill="currentColor"/>`, dot, mm(-c.frame.Min.X), mm(c.frame.Max.Y), mm(3*u))
	}
	c.WriteString(`</svg>`)
	return c.Bytes()
}

// hotRadiusUM is that of the disc in which a hot spot is looked for (package dose).
const hotRadiusUM = 1_000

// hotSpots shades the places where too much energy meets, large enough to be seen.
func (c *canvas) hotSpots(p *Plan, id string) {
	for _, h := range p.Hot {
		fmt.Fprintf(c, `<circle class="hot-spot" data-permille="%d" data-at-ms="%d" cx="%s" cy="%s" r="%s" fill="url(#%s-hot)" stroke-width="%s"/>`,
			h.Permille, h.AtMS, mm(h.Place.X-c.frame.Min.X), mm(c.frame.Max.Y-h.Place.Y), mm(max(hotRadiusUM, 3*c.unit)), id, mm(c.unit*6/10))
	}
}

// pieces writes the outlines of what comes loose, for a page to show; not of very many.
func (c *canvas) pieces(p *Plan, id string) {
	outlines, numbers := freed(p)
	corners := 0
	for i, points := range outlines[:min(len(outlines), mostPicturePieces)] {
		kept := c.distinct(points, true)
		if corners += len(kept); corners > mostPieceCorners {
			return
		}
		fmt.Fprintf(c, `<path class="loose" id="%s-piece-%d" data-piece="%[2]d" stroke="none" d="`, id, numbers[i])
		c.path(kept, true)
		c.WriteString(`"/>`)
	}
}

func (c *canvas) box(class string, b geom.Box, attrs string) {
	fmt.Fprintf(c, `<rect class="%s" x="%s" y="%s" width="%s" height="%s" %s/>`,
		class, mm(b.Min.X-c.frame.Min.X), mm(c.frame.Max.Y-b.Max.Y), mm(b.Width()), mm(b.Height()), attrs)
}

// point writes a position of the plan.
func (c *canvas) point(command byte, p geom.Point) {
	c.WriteByte(command)
	c.WriteString(mm(p.X - c.frame.Min.X))
	c.WriteByte(' ')
	c.WriteString(mm(c.frame.Max.Y - p.Y))
}

// path writes the points of a line.
func (c *canvas) path(points []geom.Point, closed bool) {
	for i, p := range points {
		command := byte('L')
		if i == 0 {
			command = 'M'
		}
		c.point(command, p)
	}
	if closed {
		c.WriteByte('Z')
	}
}

// distinct gives the points of a line without those that nobody could tell from the one before; a
// closed line's last point is its first and left out.
func (c *canvas) distinct(points []geom.Point, closed bool) []geom.Point {
	kept := []geom.Point{points[0]}
	for i, p := range points[1:] {
		if end := i == len(points)-2; end && closed {
			break
		} else if end || apart(kept[len(kept)-1], p) >= c.near {
			kept = append(kept, p)
		}
	}
	return kept
}

// apart is the greater of two points' distances along x and along y.
func apart(a, b geom.Point) int64 {
	d := b.Sub(a)
	return max(d.X, -d.X, d.Y, -d.Y)
}

// fitting gives the lines to show by operation, and sets how coarse the picture is so that they are
// not too many.
func (c *canvas) fitting(p *Plan) map[Operation][]PictureLine {
	for {
		shown := map[Operation][]PictureLine{}
		count := 0
		for _, op := range []Operation{Engrave, Mark, Draw, Cut} {
			shown[op] = c.lines(p, op)
			for _, l := range shown[op] {
				count += len(l.Points)
			}
		}
		// Once everything is near, one line is left.
		if count <= mostPicturePoints || c.near > max(c.frame.Width(), c.frame.Height()) {
			return shown
		}
		c.near = max(1, 2*c.near)
	}
}

// lines gives what to show of one operation: each line once, however many passes it has; nothing
// that lies wholly at the end of the line before; and of a filling only as many rows as can be told
// apart, which also keeps it from looking like a cut.
func (c *canvas) lines(p *Plan, op Operation) []PictureLine {
	var lines []PictureLine
	var before []geom.Point
	var end geom.Point
	rows := map[int64]int64{} // y of the row shown last, by column one unit wide
	for _, s := range p.Strokes {
		if s.Operation != op || samePath(before, s.Points) {
			continue
		}
		before = s.Points
		whole := s.Closed && len(s.On) == 0
		for _, part := range s.Marked() {
			if len(lines) > 0 && !slices.ContainsFunc(part, func(at geom.Point) bool { return apart(end, at) >= c.near }) {
				continue
			}
			if op == Engrave && c.covered(rows, part) {
				continue
			}
			closed := whole && part[0] == part[len(part)-1]
			kept := c.distinct(part, closed)
			lines = append(lines, PictureLine{kept, closed})
			end = kept[len(kept)-1]
		}
	}
	return lines
}

// covered says whether a row of a filling runs along one that is shown already, too close to be told
// from it. If not, it counts as shown.
func (c *canvas) covered(rows map[int64]int64, points []geom.Point) bool {
	from, to, y := points[0].X, points[len(points)-1].X, points[0].Y
	from, to = (min(from, to)-c.frame.Min.X)/c.unit, (max(from, to)-c.frame.Min.X)/c.unit
	for column := from; column <= to; column++ {
		if shown, ok := rows[column]; ok && shown != y && c.oneRow(shown-y) {
			return true
		}
	}
	for column := from; column <= to; column++ {
		rows[column] = y
	}
	return false
}

// oneRow says whether rows of a filling that lie so far apart look like one.
func (c *canvas) oneRow(rise int64) bool { return max(rise, -rise) < 5*c.unit/2 }

// operation writes the lines of one operation as one path.
func (c *canvas) operation(shown map[Operation][]PictureLine, op Operation, width int64, attrs string) {
	if len(shown[op]) == 0 {
		return
	}
	fmt.Fprintf(c, `<path class="%s" stroke-width="%s" %s d="`, op, mm(max(1, width)), attrs)
	for _, l := range shown[op] {
		c.path(l.Points, l.Closed)
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

// travel writes the ways with the tool off.
func (c *canvas) travel(p *Plan) {
	ways := c.ways(p)
	if len(ways) == 0 {
		return
	}
	fmt.Fprintf(c, `<path class="travel" stroke-width="%s" stroke-linecap="round" stroke-dasharray="0 %s" d="`, mm(c.unit*8/10), mm(c.unit*24/10))
	for _, w := range ways {
		c.path(w.Points, false)
	}
	c.WriteString(`"/>`)
}

// ways are those with the tool off between strokes, but for hops shorter than the distance of two
// dots and those from row to row of a filling, which would cover it; of very many it gives every n-th.
func (c *canvas) ways(p *Plan) []PictureLine {
	var ways []PictureLine
	at := geom.Point{}
	var before Operation
	for _, s := range p.Strokes {
		filling := before == Engrave && s.Operation == Engrave && c.oneRow(s.Points[0].Y-at.Y)
		before = s.Operation
		if !filling && apart(at, s.Points[0]) >= 2*c.unit {
			ways = append(ways, PictureLine{Points: []geom.Point{at, s.Points[0]}})
		}
		at = s.Points[len(s.Points)-1]
	}
	every := (len(ways) + mostPictureTravels - 1) / mostPictureTravels
	if every < 2 {
		return ways
	}
	kept := ways[:0]
	for i := 0; i < len(ways); i += every {
		kept = append(kept, ways[i])
	}
	return kept
}

// dropouts hatches what falls out as waste.
func (c *canvas) dropouts(p *Plan, id string) {
	outlines := c.hatched(p)
	if len(outlines) == 0 {
		return
	}
	fmt.Fprintf(c, `<path class="drop-out" stroke="none" fill="url(#%s-drop-out)" fill-rule="evenodd" d="`, id)
	for _, points := range outlines {
		c.path(points, true)
	}
	c.WriteString(`"/>`)
}

// hatched gives the outlines of what falls out as waste, and of the pieces within it, which even-odd
// leaves free.
func (c *canvas) hatched(p *Plan) [][]geom.Point {
	outlines, numbers := freed(p)
	closed := make([]bool, len(outlines))
	for i := range closed {
		closed[i] = true
	}
	parents := geom.Nest(outlines, closed)
	var out [][]geom.Point
	for i, points := range outlines {
		if p.dropout(numbers[i]) || parents[i] >= 0 && p.dropout(numbers[parents[i]]) {
			out = append(out, c.distinct(points, true))
		}
	}
	return out
}

// freed gives the closed outline of every piece and drop-out that one line frees, with its number; one
// that was divided for the tool's rests is put together again.
func freed(p *Plan) (outlines [][]geom.Point, numbers []int64) {
	for i, s := range p.Strokes {
		if s.Piece == 0 {
			continue
		}
		points := s.Points
		if !s.Closed {
			for k := i - 1; k >= 0 && points[0] != points[len(points)-1]; k-- {
				before := p.Strokes[k].Points
				if before[len(before)-1] != points[0] {
					break
				}
				points = append(slices.Clone(before), points[1:]...)
			}
		}
		if points = ring(points); len(points) > 3 {
			outlines, numbers = append(outlines, points), append(numbers, s.Piece)
		}
	}
	return outlines, numbers
}

// ring is the part of a way that returns to where it began, without a run-in before it and an overlap
// past it; nil where there is none.
func ring(points []geom.Point) []geom.Point {
	for from := range min(2, len(points)) {
		for to := len(points) - 1; to > from+2; to-- {
			if points[to] == points[from] {
				return points[from : to+1]
			}
		}
	}
	return nil
}

func (p *Plan) dropout(number int64) bool {
	return int(number) <= len(p.Pieces) && p.Pieces[number-1].Dropout
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
