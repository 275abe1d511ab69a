// Package paint turns polylines and areas into pixels: a small scan converter for pictures of plans.
package paint

import (
	"image"
	"image/color"
	"math"
	"slices"
)

// Vec is a position in pixels; the middle of the first pixel is (0.5, 0.5).
type Vec struct{ X, Y float64 }

// Mask says for every pixel how much of it is covered, 0 to 255.
type Mask struct {
	w, h int
	pix  []uint8
}

// NewMask is w × h pixels, none covered.
func NewMask(w, h int) *Mask { return &Mask{w: w, h: h, pix: make([]uint8, w*h)} }

// Line covers a polyline of the given width with round joins and ends. What lies outside of the mask
// is left out. Edges are smooth: a pixel is covered by how far its middle lies within the edge.
func (m *Mask) Line(points []Vec, width float64) {
	r := max(width, 1) / 2
	strength := 255 * min(1, width)
	for i, p := range points {
		q := p
		if i+1 < len(points) {
			q = points[i+1]
		} else if i > 0 {
			break // the last point is the end of the segment before
		}
		m.segment(p, q, r, strength)
	}
}

// segment covers all pixels whose middle lies nearer than r + ½ to p–q.
func (m *Mask) segment(p, q Vec, r, strength float64) {
	reach := r + 0.5
	top := max(0, int(math.Floor(min(p.Y, q.Y)-reach)))
	bottom := min(m.h-1, int(math.Ceil(max(p.Y, q.Y)+reach)))
	dx, dy := q.X-p.X, q.Y-p.Y
	length := math.Sqrt(dx*dx + dy*dy)
	for y := top; y <= bottom; y++ {
		cy := float64(y) + 0.5
		left, right := min(p.X, q.X)-reach, max(p.X, q.X)+reach
		if dy != 0 {
			// The row meets the band around the line through p and q between two places.
			x := p.X + (cy-p.Y)*dx/dy
			half := reach * length / math.Abs(dy)
			left, right = max(left, x-half), min(right, x+half)
		}
		from, to := max(0, int(math.Floor(left))), min(m.w-1, int(math.Ceil(right)))
		for x := from; x <= to; x++ {
			cx := float64(x) + 0.5
			t := 0.0
			if length > 0 {
				t = min(1, max(0, ((cx-p.X)*dx+(cy-p.Y)*dy)/(length*length)))
			}
			ex, ey := cx-p.X-t*dx, cy-p.Y-t*dy
			if cover := min(1, reach-math.Sqrt(ex*ex+ey*ey)); cover > 0 {
				at := &m.pix[y*m.w+x]
				*at = max(*at, uint8(cover*strength))
			}
		}
	}
}

// Dashes covers a polyline in strokes of on pixels with gaps of off pixels between; on 0 makes dots.
func (m *Mask) Dashes(points []Vec, width, on, off float64) {
	left, drawing := on, true
	var part []Vec
	if len(points) > 0 {
		part = append(part, points[0])
	}
	for i := 1; i < len(points); i++ {
		p, q := points[i-1], points[i]
		d := math.Hypot(q.X-p.X, q.Y-p.Y)
		done := 0.0
		for d-done > left {
			done += left
			at := Vec{p.X + (q.X-p.X)*done/d, p.Y + (q.Y-p.Y)*done/d}
			if drawing {
				m.Line(append(part, at), width)
				left = off
			} else {
				left = on
			}
			part, drawing = []Vec{at}, !drawing
		}
		left -= d - done
		part = append(part, q)
	}
	if drawing && len(part) > 1 {
		m.Line(part, width)
	}
}

// rows is how often a pixel's height is sampled by Area.
const rows = 4

// Area covers the inside of closed polylines, counted by even-odd. keep, if it is set, says which
// pixels are covered at all.
func (m *Mask) Area(outlines [][]Vec, keep func(x, y int) bool) {
	lines := m.h * rows
	crossings := make([][]float64, lines)
	for _, o := range outlines {
		for i := range o {
			a, b := o[i], o[(i+1)%len(o)]
			if a.Y > b.Y {
				a, b = b, a
			}
			from := max(0, int(math.Ceil(a.Y*rows-0.5)))
			to := min(lines-1, int(math.Ceil(b.Y*rows-0.5))-1)
			for k := from; k <= to; k++ {
				y := (float64(k) + 0.5) / rows
				crossings[k] = append(crossings[k], a.X+(y-a.Y)*(b.X-a.X)/(b.Y-a.Y))
			}
		}
	}
	cover := make([]float64, m.w)
	for y := range m.h {
		used := false
		for _, xs := range crossings[y*rows : (y+1)*rows] {
			slices.Sort(xs)
			for i := 0; i+1 < len(xs); i += 2 {
				used = true
				span(cover, xs[i], xs[i+1])
			}
		}
		if !used {
			continue
		}
		for x, c := range cover {
			cover[x] = 0
			if c > 0 && (keep == nil || keep(x, y)) {
				at := &m.pix[y*m.w+x]
				*at = max(*at, uint8(min(255, c*255/rows)))
			}
		}
	}
}

// span adds to each pixel of a row how much of it lies between two places.
func span(cover []float64, from, to float64) {
	from, to = max(0, from), min(float64(len(cover)), to)
	for x := int(from); x < len(cover) && float64(x) < to; x++ {
		cover[x] += min(to, float64(x+1)) - max(from, float64(x))
	}
}

// On lays a colour on the picture where the mask is covered.
func (m *Mask) On(img *image.RGBA, c color.RGBA) {
	for i, a := range m.pix {
		if a == 0 {
			continue
		}
		at := img.Pix[4*i : 4*i+4]
		for k, v := range []uint8{c.R, c.G, c.B} {
			at[k] = uint8((int(at[k])*(255-int(a)) + int(v)*int(a) + 127) / 255)
		}
		at[3] = 255
	}
}
