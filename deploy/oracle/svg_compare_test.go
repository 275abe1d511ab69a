package oracle_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"github.com/chromedp/cdproto/cdp/jsonv2"

	"kerfgate/plan/drawing"
)

const mmPerPx = 25.4 / 96

func number(v float64) jsonv2.Value { data, _ := json.Marshal(v); return data }

func unmarshal(data jsonv2.Value, out any) error { return json.Unmarshal(data, out) }

// affine maps as SVG writes it: (a·x + c·y + e, b·x + d·y + f).
type affine [6]float64

func affineOf(v []float64) affine { return affine(v) }

func (m affine) apply(p drawing.Vec) drawing.Vec {
	return drawing.Vec{X: m[0]*p.X + m[2]*p.Y + m[4], Y: m[1]*p.X + m[3]*p.Y + m[5]}
}

func (m affine) inverse() affine {
	d := m[0]*m[3] - m[1]*m[2]
	return affine{m[3] / d, -m[1] / d, -m[2] / d, m[0] / d,
		(m[2]*m[5] - m[3]*m[4]) / d, (m[1]*m[4] - m[0]*m[5]) / d}
}

// polyline is a path as chords that stray from it by at most 0.2 µm.
func polyline(p drawing.Path) []drawing.Vec {
	points, _ := p.Flatten(0.0002, 5_000_000)
	return points
}

func distance(a, b drawing.Vec) float64 { return math.Hypot(a.X-b.X, a.Y-b.Y) }

func lengthOf(lines [][]drawing.Vec) (sum float64) {
	for _, line := range lines {
		for i := 1; i < len(line); i++ {
			sum += distance(line[i-1], line[i])
		}
	}
	return sum
}

// outOf is how far p lies from the nearest of the lines.
func outOf(p drawing.Vec, lines [][]drawing.Vec) float64 {
	best := math.Inf(1)
	for _, line := range lines {
		for i := 1; i < len(line); i++ {
			a, b := line[i-1], line[i]
			dx, dy := b.X-a.X, b.Y-a.Y
			t := 0.0
			if d := dx*dx + dy*dy; d > 0 {
				t = min(1, max(0, ((p.X-a.X)*dx+(p.Y-a.Y)*dy)/d))
			}
			best = min(best, distance(p, drawing.Vec{X: a.X + t*dx, Y: a.Y + t*dy}))
		}
	}
	return best
}

// along gives the point at a length from the beginning.
func along(lines [][]drawing.Vec, at float64) drawing.Vec {
	var last drawing.Vec
	for _, line := range lines {
		for i := 1; i < len(line); i++ {
			step := distance(line[i-1], line[i])
			if at <= step && step > 0 {
				t := at / step
				return drawing.Vec{X: line[i-1].X + t*(line[i].X-line[i-1].X), Y: line[i-1].Y + t*(line[i].Y-line[i-1].Y)}
			}
			at -= step
			last = line[i]
		}
	}
	return last
}

// differs says how one of our shapes differs from the browser's; "" where it is the same: every
// point that the browser gives lies on our path within 0.01 mm or 0.05 % of its size (the browser
// draws a quarter circle by one curve, which strays by 0.027 %), its length and its box
// agree within 0.1 % or 0.01 mm, it is run through in the same order, and no part of ours lies far
// from all of the browser's points.
func differs(ours drawing.Shape, theirs seenShape) string {
	var page, user [][]drawing.Vec
	back := affineOf(theirs.CTM).inverse()
	least, most := drawing.Vec{X: math.Inf(1), Y: math.Inf(1)}, drawing.Vec{X: math.Inf(-1), Y: math.Inf(-1)}
	for _, path := range ours.Paths {
		line := polyline(path)
		inUser := make([]drawing.Vec, len(line))
		for i, p := range line {
			q := back.apply(drawing.Vec{X: p.X / mmPerPx, Y: p.Y / mmPerPx})
			inUser[i] = q
			least = drawing.Vec{X: min(least.X, q.X), Y: min(least.Y, q.Y)}
			most = drawing.Vec{X: max(most.X, q.X), Y: max(most.Y, q.Y)}
		}
		page, user = append(page, line), append(user, inUser)
	}
	var points []drawing.Vec
	for _, p := range theirs.Points {
		points = append(points, drawing.Vec{X: p[0] * mmPerPx, Y: p[1] * mmPerPx})
	}
	size, unit := 0.0, math.Sqrt(math.Abs(theirs.CTM[0]*theirs.CTM[3]-theirs.CTM[1]*theirs.CTM[2]))*mmPerPx // mm per user unit
	for _, p := range points {
		size = max(size, distance(points[0], p))
	}
	tolerance := max(0.01, 0.0005*size)
	for i, p := range points {
		if d := outOf(p, page); d > tolerance {
			return fmt.Sprintf("the browser's point %d, %.3f, lies %.4f mm off; its box is %.3f", i, p, d, theirs.Box)
		}
	}
	// A box of points that the browser's own curves run through strays no more than these curves.
	box := []float64{least.X, least.Y, most.X - least.X, most.Y - least.Y}
	for i, v := range theirs.Box {
		if math.Abs(v-box[i]) > max(0.01/unit, 0.001*max(theirs.Box[2], theirs.Box[3])) {
			return fmt.Sprintf("box %.4f, the browser's %.4f", box, theirs.Box)
		}
	}
	// The browser's length of curves is that of chords which stray up to half a px: it comes out
	// short by up to 0.17 px a radian. So lengths of curves are held against each other by the same
	// number of chords as well.
	length := lengthOf(user)
	curves := 0
	for _, path := range ours.Paths {
		for _, s := range path.Segments {
			if s.Curve {
				curves++
			}
		}
	}
	short := 0.08 * float64(curves) // each turns by 22.5° at most
	if math.Abs(length-theirs.Length) > max(0.01/unit, 0.001*length)+short {
		return fmt.Sprintf("length %.4f, the browser's %.4f", length, theirs.Length)
	}
	apart := 0.0
	ctm := affineOf(theirs.CTM)
	chain := make([]drawing.Vec, len(points))
	for i, p := range points {
		q := ctm.apply(along(user, length*float64(i)/float64(len(points)-1)))
		chain[i] = drawing.Vec{X: q.X * mmPerPx, Y: q.Y * mmPerPx}
		apart = max(apart, distance(p, chain[i]))
	}
	if a, b := lengthOf([][]drawing.Vec{chain}), lengthOf([][]drawing.Vec{points}); len(ours.Paths) == 1 && math.Abs(a-b) > max(0.01, 0.001*a) {
		return fmt.Sprintf("length of chords %.4f mm, the browser's %.4f mm", a, b)
	}
	stretch := math.Hypot(math.Hypot(ctm[0], ctm[1]), math.Hypot(ctm[2], ctm[3])) * mmPerPx
	// At a gap the point of one side may lie before it and that of the other behind it.
	if len(ours.Paths) == 1 && apart > tolerance+(0.002*length+short)*stretch {
		return fmt.Sprintf("another order or direction: %.4f mm apart", apart)
	}
	step := theirs.Length / float64(len(points)-1) * stretch
	for _, line := range page {
		for i := 0; i < len(line); i += 1 + len(line)/200 {
			nearest := math.Inf(1)
			for _, p := range points {
				nearest = min(nearest, distance(p, line[i]))
			}
			if nearest > step+tolerance {
				return fmt.Sprintf("our point %.4v lies %.4f mm from the browser's", line[i], nearest)
			}
		}
	}
	return ""
}

// wrongIn lists what is wrong in our reading of a drawing.
func wrongIn(d *drawing.Drawing, s seen) (faults []string) {
	var shapes []drawing.Shape
	for _, shape := range d.Shapes {
		var lines [][]drawing.Vec
		for _, p := range shape.Paths {
			lines = append(lines, polyline(p))
		}
		if lengthOf(lines) > 0 {
			shapes = append(shapes, shape)
		}
	}
	if math.Abs(d.WidthMM-s.Width*mmPerPx) > 0.01 || math.Abs(d.HeightMM-s.Height*mmPerPx) > 0.01 {
		faults = append(faults, fmt.Sprintf("page of %.3f × %.3f mm, the browser's %.3f × %.3f", d.WidthMM, d.HeightMM, s.Width*mmPerPx, s.Height*mmPerPx))
	}
	if len(shapes) != len(s.Shapes) {
		var ours, theirs []string
		for _, x := range shapes {
			ours = append(ours, x.Place)
		}
		for _, x := range s.Shapes {
			theirs = append(theirs, x.Name)
		}
		return append(faults, fmt.Sprintf("%d shapes %q, the browser's %d %q", len(shapes), ours, len(s.Shapes), theirs))
	}
	for i, shape := range shapes {
		if what := differs(shape, s.Shapes[i]); what != "" {
			faults = append(faults, fmt.Sprintf("%s: %s", shape.Place, what))
		}
	}
	words := map[string]string{"text": "text is not cut", "foreignObject": "foreignObject", "clip-path": "clip-path", "mask": "mask", "filter": "filter", "dash": "dashed", "marker": "marker"}
	for _, effect := range s.Effects {
		if !noticed(d, words[effect]) {
			faults = append(faults, fmt.Sprintf("%s is not named", effect))
		}
	}
	return append(faults, wrongPictures(d, s)...)
}

// wrongPictures: every image of the browser is a picture of ours or named.
func wrongPictures(d *drawing.Drawing, s seen) (faults []string) {
	if len(s.Images) > len(d.Pictures) && !noticed(d, "image") {
		return []string{fmt.Sprintf("%d pictures, the browser's %d, and no notice", len(d.Pictures), len(s.Images))}
	}
	if len(s.Images) != len(d.Pictures) {
		return nil // named; which is which cannot be told
	}
	for i, image := range s.Images {
		p := d.Pictures[i]
		back := affineOf(image.CTM).inverse()
		least, most := drawing.Vec{X: math.Inf(1), Y: math.Inf(1)}, drawing.Vec{X: math.Inf(-1), Y: math.Inf(-1)}
		for _, c := range [][2]float64{{0, 0}, {float64(p.Width), 0}, {0, float64(p.Height)}, {float64(p.Width), float64(p.Height)}} {
			at := drawing.Vec{X: p.Origin.X + c[0]*p.Right.X + c[1]*p.Down.X, Y: p.Origin.Y + c[0]*p.Right.Y + c[1]*p.Down.Y}
			q := back.apply(drawing.Vec{X: at.X / mmPerPx, Y: at.Y / mmPerPx})
			least = drawing.Vec{X: min(least.X, q.X), Y: min(least.Y, q.Y)}
			most = drawing.Vec{X: max(most.X, q.X), Y: max(most.Y, q.Y)}
		}
		// Whatever preserveAspectRatio says, the picture stays in its frame (cut to whole pixels) and
		// fills it along one side.
		x, y, w, h := image.Box[0], image.Box[1], image.Box[2], image.Box[3]
		pixelX, pixelY := (most.X-least.X)/float64(p.Width), (most.Y-least.Y)/float64(p.Height)
		inside := least.X > x-0.51*pixelX && most.X < x+w+0.51*pixelX && least.Y > y-0.51*pixelY && most.Y < y+h+0.51*pixelY
		fills := math.Abs(most.X-least.X-w) < 1.02*pixelX || math.Abs(most.Y-least.Y-h) < 1.02*pixelY
		if !inside || !fills {
			faults = append(faults, fmt.Sprintf("%s: picture %.3f to %.3f, the browser's frame %.3f", p.Place, least, most, image.Box))
		}
	}
	return faults
}

func noticed(d *drawing.Drawing, words string) bool {
	for _, n := range d.Notices {
		if strings.Contains(n.What, words) {
			return true
		}
	}
	return false
}
