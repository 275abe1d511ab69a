package dxf_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
)

// TestLengthsAndAreas: closed figures against their formulas. The ellipse's perimeter is 4·a·E(e²), for
// semi-axes 5 and 3 25.526998863 (complete elliptic integral, from memory of tables; Ramanujan's second
// formula gives the same digits).
func TestLengthsAndAreas(t *testing.T) {
	t.Parallel()
	third := math.Tan(math.Pi / 6) // bulge of 120°
	chord := 10.0
	radius := chord * (1 + third*third) / (4 * third)
	for _, tc := range []struct {
		name         string
		entity       string
		length, area float64
		closed       bool
		width        float64
	}{
		{"line", entity("LINE", 10, 1, 20, 2, 11, 4, 21, 6), 5, math.NaN(), false, 3},
		{"circle", entity("CIRCLE", 10, 7, 20, -3, 40, 10), 20 * math.Pi, 100 * math.Pi, true, 20},
		{"circle from below", entity("CIRCLE", 10, 7, 20, -3, 40, 10, 210, 0, 220, 0, 230, -1), 20 * math.Pi, -100 * math.Pi, true, 20},
		{"arc", entity("ARC", 10, 0, 20, 0, 40, 6, 50, 30, 51, 150), 4 * math.Pi, math.NaN(), false, 12 * math.Cos(math.Pi/6)},
		{"arc over 0°", entity("ARC", 10, 0, 20, 0, 40, 6, 50, 300, 51, 60), 4 * math.Pi, math.NaN(), false, 3},
		{"arc by negative angles", entity("ARC", 10, 0, 20, 0, 40, 6, 50, -60, 51, 60), 4 * math.Pi, math.NaN(), false, 3},
		{"ellipse", entity("ELLIPSE", 10, 0, 20, 0, 11, 5, 21, 0, 40, 0.6, 41, 0, 42, 2*math.Pi), 25.526998863, 15 * math.Pi, true, 10},
		{"turned ellipse", entity("ELLIPSE", 10, 9, 20, 9, 11, 3, 21, 4, 40, 0.6), 25.526998863, 15 * math.Pi, true, 2 * math.Sqrt(9+9*0.64)},
		{"half an ellipse", entity("ELLIPSE", 10, 0, 20, 0, 11, 5, 21, 0, 40, 0.6, 41, math.Pi, 42, 2*math.Pi), 25.526998863 / 2, math.NaN(), false, 10},
		{"square", entity("LWPOLYLINE", 90, 4, 70, 1, 10, 0, 20, 0, 10, 4, 20, 0, 10, 4, 20, 4, 10, 0, 20, 4), 16, 16, true, 4},
		{"bulge 1 is half a circle", entity("LWPOLYLINE", 90, 2, 70, 1, 10, 0, 20, 0, 42, 1, 10, chord, 20, 0, 42, 1),
			chord * math.Pi, chord * chord / 4 * math.Pi, true, 10},
		{"bulge 0.57735 is 120°", entity("LWPOLYLINE", 90, 2, 70, 1, 10, 0, 20, 0, 42, third, 10, chord, 20, 0),
			chord + radius*2*math.Pi/3, radius * radius / 2 * (2*math.Pi/3 - math.Sin(2*math.Pi/3)), true, 10},
		{"negative bulge is clockwise", entity("LWPOLYLINE", 90, 2, 70, 1, 10, 0, 20, 0, 42, -1, 10, chord, 20, 0, 42, -1),
			chord * math.Pi, -chord * chord / 4 * math.Pi, true, 10},
		{"almost the whole circle", entity("LWPOLYLINE", 90, 2, 10, 0, 20, 0, 42, math.Tan(math.Pi/2*0.99), 10, 2*math.Sin(math.Pi*0.01), 20, 0),
			2 * math.Pi * 0.99, math.NaN(), false, 2},
		{"old polyline", entity("POLYLINE", 66, 1, 70, 1) + entity("VERTEX", 10, 0, 20, 0, 42, 1) + entity("VERTEX", 10, 10, 20, 0, 42, 1) + entity("SEQEND"),
			10 * math.Pi, 25 * math.Pi, true, 10},
		{"parabola", entity("SPLINE", 70, 8, 71, 2, 40, 0, 40, 0, 40, 0, 40, 1, 40, 1, 40, 1, 10, -1, 20, 1, 10, 0, 20, -1, 10, 1, 20, 1),
			math.Sqrt(5) + math.Asinh(2)/2, math.NaN(), false, 2}, // y = x² from −1 to 1: its textbook arc length
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			d := read(t, entities(tc.entity))
			if len(d.Shapes) != 1 || len(d.Shapes[0].Paths) != 1 {
				t.Fatalf("%d shapes, notices %v", len(d.Shapes), d.Notices)
			}
			p := d.Shapes[0].Paths[0]
			length, area := measure(p)
			near(t, "length", length, tc.length, 2e-7*tc.length)
			if !math.IsNaN(tc.area) {
				near(t, "area", area, tc.area, 2e-6*math.Abs(tc.area))
			}
			if p.Closed != tc.closed {
				t.Errorf("closed: %v", p.Closed)
			}
			if end := p.Segments[len(p.Segments)-1].To; tc.closed && end != p.Start {
				t.Errorf("closed, but ends at %v and begins at %v", end, p.Start)
			}
			near(t, "width", d.WidthMM, tc.width, 1e-6)
			if len(d.Notices) != 0 {
				t.Errorf("notices: %v", d.Notices)
			}
		})
	}
}

// TestSagitta (N5.9; Madsen, Polyline Bulges): an arc of bulge b rises b·c/2 over its chord c, to the right of the way for b > 0, which
// on a way to the right is downward.
func TestSagitta(t *testing.T) {
	t.Parallel()
	for _, b := range []float64{-3, -1, -0.3, -1e-6, 1e-7, 1e-3, 0.2, 0.57735, 1, 2.5} {
		d := read(t, entities(entity("LWPOLYLINE", 90, 2, 10, 100, 20, 50, 42, b, 10, 108, 20, 50)))
		near(t, fmt.Sprintf("rise of bulge %g", b), d.HeightMM, math.Abs(b)*8/2, 1e-6)
		start := d.Shapes[0].Paths[0].Start
		if upper := start.Y <= d.HeightMM/2; upper != (b > 0) && math.Abs(b) <= 1 {
			t.Errorf("bulge %g: the chord lies at %v of %v", b, start.Y, d.HeightMM)
		}
	}
}

// TestRationalCircle: the classic circle of nine weighted points of degree 2 (Piegl and Tiller, The NURBS
// Book, ch. 7.5) lies within the stated error of the true one: a millionth of its control polygon's diagonal.
func TestRationalCircle(t *testing.T) {
	t.Parallel()
	const r = 50.0
	d := read(t, entities(nurbsCircle(r, 70, 1|8)))
	p := d.Shapes[0].Paths[0]
	allowed := 1e-6 * 2 * r * math.Sqrt2
	worst := 0.0
	from := p.Start
	for _, s := range p.Segments {
		for i := range 32 {
			at, _ := cubicAt([4]drawing.Vec{from, s.C1, s.C2, s.To}, float64(i)/32)
			worst = max(worst, math.Abs(math.Hypot(at.X-r, at.Y-r)-r))
		}
		from = s.To
	}
	if worst > allowed {
		t.Errorf("%g mm from the circle, allowed %g", worst, allowed)
	}
	t.Logf("%d cubics, %.2g mm from the circle, allowed %.2g", len(p.Segments), worst, allowed)
	length, area := measure(p)
	near(t, "length", length, 2*math.Pi*r, 1e-3)
	near(t, "area", area, math.Pi*r*r, 1e-2)
	if !p.Closed {
		t.Error("not closed")
	}
	near(t, "width", d.WidthMM, 2*r, 2*allowed)
}

func nurbsCircle(r float64, pairs ...any) string {
	pairs = append(pairs, 71, 2)
	for _, k := range []float64{0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4} {
		pairs = append(pairs, 40, k)
	}
	for i := range 9 {
		pairs = append(pairs, 41, [2]float64{1, math.Sqrt2 / 2}[i%2])
	}
	for _, c := range [9][2]float64{{1, 0}, {1, 1}, {0, 1}, {-1, 1}, {-1, 0}, {-1, -1}, {0, -1}, {1, -1}, {1, 0}} {
		pairs = append(pairs, 10, r*c[0], 20, r*c[1], 30, 0)
	}
	return entity("SPLINE", pairs...)
}

// bspline evaluates the recurrence of Cox and de Boor by its definition, basis function by basis function:
// another way than the reader's.
func bspline(knots []float64, points [][2]float64, degree int, u float64) (x, y float64) {
	var basis func(i, p int) float64
	basis = func(i, p int) float64 {
		if p == 0 {
			if knots[i] <= u && u < knots[i+1] {
				return 1
			}
			return 0
		}
		out := 0.0
		if w := knots[i+p] - knots[i]; w > 0 {
			out += (u - knots[i]) / w * basis(i, p-1)
		}
		if w := knots[i+p+1] - knots[i+1]; w > 0 {
			out += (knots[i+p+1] - u) / w * basis(i+1, p-1)
		}
		return out
	}
	for i, c := range points {
		b := basis(i, degree)
		x, y = x+b*c[0], y+b*c[1]
	}
	return x, y
}

// TestSplinesLieOnTheirDefinition: clamped, unclamped (periodic) and repeated knots, degrees 1 to 7.
func TestSplinesLieOnTheirDefinition(t *testing.T) {
	t.Parallel()
	points := [][2]float64{{0, 0}, {30, 60}, {70, -20}, {90, 50}, {140, 80}, {160, 10}, {200, 40}, {230, 0}, {250, 70}, {260, 20}}
	for degree := 1; degree <= 7; degree++ {
		for name, knot := range map[string]func(i int) float64{
			"clamped": func(i int) float64 { return float64(min(max(i-degree, 0), len(points)-degree)) },
			"open":    func(i int) float64 { return float64(i) * 0.7 },
			"doubled": func(i int) float64 { return float64(min(max(i-degree, 0), len(points)-degree) / 2) },
		} {
			pairs := []any{70, 8, 71, degree}
			var knots []float64
			for i := range len(points) + degree + 1 {
				knots = append(knots, knot(i))
				pairs = append(pairs, 40, knot(i))
			}
			for _, c := range points {
				pairs = append(pairs, 10, c[0], 20, c[1], 30, 0)
			}
			// The line through (0, −100) gives the page a corner that is known.
			d := read(t, entities(entity("LINE", 10, -50, 20, 100, 11, -50, 21, -100), entity("SPLINE", pairs...)))
			corner := drawing.Vec{X: -50, Y: 100}
			allowed := 1e-9
			if degree > 3 {
				allowed = 1e-6 * math.Hypot(260, 100)
			}
			worst := 0.0
			begin, end := knots[degree], knots[len(points)]
			for i := range 200 {
				x, y := bspline(knots, points, degree, begin+(end-begin)*float64(i)/200)
				worst = max(worst, distance(d.Shapes[1], drawing.Vec{X: x - corner.X, Y: corner.Y - y}))
			}
			if worst > allowed+2e-7 { // what distance finds is that exact
				t.Errorf("degree %d, %s: %g mm off, allowed %g", degree, name, worst, allowed)
			}
		}
	}
}

// distance is how far p lies from the shape's curves, by sampling and golden sections.
func distance(s drawing.Shape, p drawing.Vec) float64 {
	best := math.Inf(1)
	for _, path := range s.Paths {
		from := path.Start
		for _, seg := range path.Segments {
			c := [4]drawing.Vec{from, seg.C1, seg.C2, seg.To}
			if !seg.Curve {
				c[1] = drawing.Vec{X: from.X + (seg.To.X-from.X)/3, Y: from.Y + (seg.To.Y-from.Y)/3}
				c[2] = drawing.Vec{X: seg.To.X - (seg.To.X-from.X)/3, Y: seg.To.Y - (seg.To.Y-from.Y)/3}
			}
			off := func(t float64) float64 {
				at, _ := cubicAt(c, t)
				return math.Hypot(at.X-p.X, at.Y-p.Y)
			}
			nearest := 0
			for i := range 33 {
				if off(float64(i)/32) < off(float64(nearest)/32) {
					nearest = i
				}
			}
			low, high := max(0, float64(nearest-1)/32), min(1, float64(nearest+1)/32)
			for range 40 {
				a, b := low+(high-low)*0.382, low+(high-low)*0.618
				if off(a) < off(b) {
					high = b
				} else {
					low = a
				}
			}
			best = min(best, off(low), off(high))
			from = seg.To
		}
	}
	return best
}

// TestFitPoints: a spline without control points passes its fit points; on a circle's points, closed, it
// comes near the circle (cubic spline error: about h⁴/384 of the fourth derivative), and it says so.
func TestFitPoints(t *testing.T) {
	t.Parallel()
	pairs := []any{70, 1 | 8, 71, 3}
	for i := range 24 {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / 24)
		pairs = append(pairs, 11, 10*cos, 21, 10*sin, 31, 0)
	}
	d := read(t, entities(entity("SPLINE", pairs...)))
	noticed(t, d, "fit points only")
	p := d.Shapes[0].Paths[0]
	length, area := measure(p)
	near(t, "length", length, 20*math.Pi, 1e-2)
	near(t, "area", area, 100*math.Pi, 5e-2)
	if !p.Closed || len(p.Segments) != 24 {
		t.Errorf("closed %v, %d segments", p.Closed, len(p.Segments))
	}
	// Through uneven points the curve is smooth to the second derivative (over the chords), also where it closes.
	uneven := [][2]float64{{0, 0}, {10, 2}, {13, 9}, {6, 20}, {-9, 11}}
	pairs = []any{70, 1, 71, 3}
	for _, p := range uneven {
		pairs = append(pairs, 11, p[0], 21, p[1])
	}
	p = read(t, entities(entity("SPLINE", pairs...))).Shapes[0].Paths[0]
	if len(p.Segments) != len(uneven) {
		t.Fatalf("%d segments through %d points", len(p.Segments), len(uneven))
	}
	for i, s := range p.Segments {
		next := p.Segments[(i+1)%len(p.Segments)]
		from := p.Start
		if i > 0 {
			from = p.Segments[i-1].To
		}
		h, g := math.Hypot(s.To.X-from.X, s.To.Y-from.Y), math.Hypot(next.To.X-s.To.X, next.To.Y-s.To.Y)
		near(t, "first derivative x", (s.To.X-s.C2.X)/h, (next.C1.X-s.To.X)/g, 1e-12)
		near(t, "first derivative y", (s.To.Y-s.C2.Y)/h, (next.C1.Y-s.To.Y)/g, 1e-12)
		near(t, "second derivative x", (s.To.X-2*s.C2.X+s.C1.X)/h/h, (s.To.X-2*next.C1.X+next.C2.X)/g/g, 1e-12)
		near(t, "second derivative y", (s.To.Y-2*s.C2.Y+s.C1.Y)/h/h, (s.To.Y-2*next.C1.Y+next.C2.Y)/g/g, 1e-12)
	}
	// With end directions along a straight row of points the curve stays straight.
	open := read(t, entities(entity("SPLINE", 71, 3, 11, 0, 21, 0, 11, 1, 21, 0, 11, 2, 21, 0, 12, 1, 22, 0, 13, 1, 23, 0)))
	near(t, "straight row", open.HeightMM, 0, 0)
	near(t, "straight row", open.WidthMM, 2, 0)
}

// TestFaultySplines are left out by name, with the reason.
func TestFaultySplines(t *testing.T) {
	t.Parallel()
	for reason, groups := range map[string][]any{
		"knots":        {71, 3, 40, 0, 40, 1, 10, 0, 20, 0, 10, 1, 20, 0, 10, 2, 20, 0, 10, 3, 20, 0},
		"its degree":   {71, 40, 40, 0, 40, 1, 10, 0, 20, 0},
		"control poin": {71, 3, 10, 0, 20, 0},
		"do not grow":  {71, 1, 40, 0, 40, 3, 40, 2, 40, 4, 10, 0, 20, 0, 10, 1, 20, 1},
		"span nothing": {71, 1, 40, 0, 40, 0, 40, 0, 40, 0, 10, 0, 20, 0, 10, 1, 20, 1},
		"weights for":  {71, 1, 40, 0, 40, 0, 40, 1, 40, 1, 41, 1, 10, 0, 20, 0, 10, 1, 20, 1},
		"above zero":   {71, 1, 40, 0, 40, 0, 40, 1, 40, 1, 41, 1, 41, -1, 10, 0, 20, 0, 10, 1, 20, 1},
	} {
		d := read(t, entities(entity("SPLINE", groups...)))
		if n := noticed(t, d, reason); !strings.Contains(n.Place, "SPLINE, line") || len(d.Shapes) != 0 {
			t.Errorf("%s: %+v, %d shapes", reason, n, len(d.Shapes))
		}
	}
}
