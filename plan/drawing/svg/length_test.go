package svg

import (
	"fmt"
	"math"
	"testing"

	"kerfgate/plan/drawing"
)

// inMM wraps elements in a page whose user unit is one millimetre.
func inMM(body string) string {
	return `<svg xmlns="http://www.w3.org/2000/svg" width="1000mm" height="1000mm" viewBox="0 0 1000 1000">` + body + `</svg>`
}

func read(t testing.TB, svg string) *drawing.Drawing {
	t.Helper()
	d, err := Read([]byte(svg), drawing.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// length is the length in mm of everything in a drawing, by very fine chords.
func length(t testing.TB, d *drawing.Drawing) float64 {
	t.Helper()
	var sum float64
	for _, s := range d.Shapes {
		for _, p := range s.Paths {
			points, ok := p.Flatten(1e-8, 10_000_000)
			if !ok {
				t.Fatal("too many points")
			}
			for i := 1; i < len(points); i++ {
				sum += math.Hypot(points[i].X-points[i-1].X, points[i].Y-points[i-1].Y)
			}
		}
	}
	return sum
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.10f, want %.10f within %g", what, got, want, within)
	}
}

// TestPathLengths checks curve lengths against published values. Sources: svg.path test_paths.py
// (cubic quarter, quadratic of the SVG specification, arc with flags 1,0), kurbo's tests (cubic
// that is a parabola), fontTools bezierTools doctest (quadratic), fontTools (collinear cubics),
// W3C SVG 2 implementation notes B.2.5 (radius scaled up); formulas stand beside the others.
func TestPathLengths(t *testing.T) {
	t.Parallel()
	const c = 0.5522847498307936 // 4/3·(√2 − 1)
	for _, tc := range []struct {
		name, path string
		want       float64
		within     float64
	}{
		{"N5.2 cubic quarter", fmt.Sprintf("M100 0C100 %g %g 100 0 100", 100*c, 100*c), 157.10166981, 1e-6},
		{"N5.3 cubic parabola", "M0 0C.33333333333333333 0 .66666666666666667 .33333333333333333 1 1", 1.4789428575446, 1e-7},
		{"N5.4 quadratic", "M0 0Q0 100 100 0", 154.02976155645, 1e-6},
		{"N5.5 quadratic", "M200 300Q400 50 600 300", 487.77109389526, 1e-6},
		{"N5.7 three quarters", "M300,200 h-150 a150,150 0 1,0 150,-150 z", 225*math.Pi + 300, 1e-4},
		{"N5.8 radius scaled up", "M0 0A1 1 0 0 1 200 0", 100 * math.Pi, 1e-4},
		{"N5.8 radius zero is a line", "M0 0A0 7 0 0 1 30 40", 50, 1e-9},
		{"N5.8 negative radius", "M0 0A-100 -100 0 0 1 100 100", 50 * math.Pi, 1e-4},
		{"N5.8 rotation modulo 360", "M0 0A50 20 750 0 1 30 40", lengthOf(t, "M0 0A50 20 30 0 1 30 40"), 1e-9},
		{"collinear quadratic there and back", "M0 0Q40 0 0 0", 40, 1e-6},
		{"collinear cubic loop", "M0 0C40 0 -40 0 0 0", lengthOf(t, "M0 0C-40 0 40 0 0 0"), 1e-9},
		{"zero-length cubic", "M5 5C5 5 5 5 5 5", 0, 0},
		{"relative equals absolute", "m10 10l10 0 0 10h-5v-5c1 2 3 4 5 6s1 1 2 2q3-3 6 0t6 0a5 5 0 013 3z",
			lengthOf(t, "M10 10L20 10 20 20H15V15C16 17 18 19 20 21S21 22 22 23Q25 20 28 23T34 23A5 5 0 0 1 37 26Z"), 1e-9},
		{"implicit repeats", "M0 0 10 0 10 10", 20, 1e-9},
		{"compact numbers", "M0 0l.5.5-.5-.5", math.Sqrt2, 1e-9},
		{"compact arc flags", "M0 0a25 25-30 0150-25", lengthOf(t, "M0 0a25 25 -30 0 1 50 -25"), 1e-9},
		{"exponents", "M0 0L1e1 0 1E+1 10e0", 20, 1e-9},
		{"after close from the beginning", "M10 10h10v10zl-5 0", 20 + math.Sqrt(200) + 5, 1e-9},
		{"smooth without predecessor", "M0 0S10 0 10 10", lengthOf(t, "M0 0C0 0 10 0 10 10"), 1e-9},
		{"smooth quadratic without predecessor", "M0 0T10 0", 10, 1e-9},
	} {
		near(t, tc.name, length(t, read(t, inMM(`<path d="`+tc.path+`"/>`))), tc.want, tc.within)
	}
}

func lengthOf(t testing.TB, path string) float64 {
	t.Helper()
	return length(t, read(t, inMM(`<path d="`+path+`"/>`)))
}

// TestArcCentre: N5.6, the arcs (0,0)→(100,50) with radii (100,50) have the centres (100,0) for
// flags 0,0 and (0,50) for flags 0,1 (svg.path tests); every point lies on that ellipse.
func TestArcCentre(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		flags  string
		centre drawing.Vec
	}{{"0 0", vec(100, 0)}, {"0 1", vec(0, 50)}} {
		d := read(t, inMM(`<path d="M0 0A100 50 0 `+tc.flags+` 100 50"/>`))
		points, _ := d.Shapes[0].Paths[0].Flatten(0.001, 1_000_000)
		if len(points) < 50 {
			t.Fatalf("only %d points", len(points))
		}
		for _, p := range points {
			near(t, "on the ellipse", math.Hypot((p.X-tc.centre.X)/100, (p.Y-tc.centre.Y)/50), 1, 3e-5)
		}
	}
}

// TestShapeLengths checks basic shapes: circumference 2πr; N5.10 ellipse with a 5, b 3 has
// 25.526998863 (own integral; Ramanujan's second formula gives 25.526999); a rounded rectangle has
// 2(w + h) − 8r + 2πr.
func TestShapeLengths(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, body string
		want       float64
	}{
		{"rect", `<rect x="10" y="10" width="30" height="20"/>`, 100},
		{"rounded rect", `<rect width="30" height="20" rx="5"/>`, 100 - 40 + 10*math.Pi},
		{"rounded rect, ry alone", `<rect width="30" height="20" ry="5"/>`, 100 - 40 + 10*math.Pi},
		{"radius larger than half", `<rect width="20" height="20" rx="50"/>`, 20 * math.Pi},
		{"circle", `<circle r="50"/>`, 100 * math.Pi},
		{"N5.10 ellipse", `<ellipse rx="5" ry="3"/>`, 25.526998863},
		{"ellipse, one radius", `<ellipse rx="5"/>`, 10 * math.Pi},
		{"line", `<line x1="1" y1="2" x2="4" y2="6" stroke="black"/>`, 5},
		{"polyline", `<polyline points="0,0 3,4 3,14" stroke="black"/>`, 15},
		{"polygon", `<polygon points="0 0 30 0 30 40"/>`, 120},
		{"odd polyline", `<polyline points="0,0 3,4 3" stroke="black"/>`, 5},
		{"units", `<line x2="1in" stroke="black"/><line x2="2.54cm" stroke="black"/><line x2="72pt" stroke="black"/>
			<line x2="6pc" stroke="black"/><line x2="101.6Q" stroke="black"/><line x2="96px" stroke="black"/><line x2="25.4mm" stroke="black"/>`, 7 * 96},
		{"percent", `<line x2="10%" stroke="black"/><line y2="1%" stroke="black"/><circle r="10%"/>`, 100 + 10 + 200*math.Pi},
		{"skewX 45°", `<line y2="10" transform="skewX(45)" stroke="black"/>`, 10 * math.Sqrt2},
		{"skewY 45°", `<line x2="10" transform="skewY(45)" stroke="black"/>`, 10 * math.Sqrt2},
		{"scale", `<circle r="5" transform="scale(2)"/>`, 20 * math.Pi},
		{"scale to an ellipse", `<circle r="1" transform="scale(5,3)"/>`, 25.526998863},
		{"matrix", `<line x2="1" transform="matrix(3 4 0 1 0 0)" stroke="black"/>`, 5},
		{"css transform", `<line x2="10" style="transform: scale(2) translate(3mm, 1px); stroke: black"/>`, 20},
	} {
		near(t, tc.name, length(t, read(t, inMM(tc.body))), tc.want, 1e-4)
	}
}
