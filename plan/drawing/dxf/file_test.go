package dxf_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
)

// entity writes groups: its kind, then codes and values in turn.
func entity(kind string, pairs ...any) string {
	var b strings.Builder
	fmt.Fprintf(&b, "  0\n%s\n", kind)
	for i := 0; i < len(pairs); i += 2 {
		fmt.Fprintf(&b, "%3d\n%v\n", pairs[i], pairs[i+1])
	}
	return b.String()
}

func section(name string, parts ...string) string {
	return entity("SECTION", 2, name) + strings.Join(parts, "") + entity("ENDSEC")
}

// sheet is a file in millimetres of these sections.
func sheet(sections ...string) string {
	header := section("HEADER", " 9\n$ACADVER\n 1\nAC1027\n 9\n$INSUNITS\n 70\n 4\n")
	return header + strings.Join(sections, "") + entity("EOF")
}

func entities(parts ...string) string { return sheet(section("ENTITIES", parts...)) }

func read(t *testing.T, file string) *drawing.Drawing {
	t.Helper()
	d, err := dxf.Read([]byte(file), dxf.Choices{}, drawing.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// refused reads a file that must be refused.
func refused(t *testing.T, file string, choices dxf.Choices, limits drawing.Limits) *drawing.Refusal {
	t.Helper()
	d, err := dxf.Read([]byte(file), choices, limits)
	if err == nil {
		t.Fatalf("read: %d shapes, notices %v", len(d.Shapes), d.Notices)
	}
	var refusal *drawing.Refusal
	if !errors.As(err, &refusal) || refusal.What == "" || refusal.Next == "" {
		t.Fatalf("not a refusal that says what is next: %#v", err)
	}
	return refusal
}

// noticed finds a notice by a part of it.
func noticed(t *testing.T, d *drawing.Drawing, part string) drawing.Notice {
	t.Helper()
	for _, n := range d.Notices {
		if strings.Contains(n.What, part) {
			if n.Count < 1 || n.Place == "" || n.Next == "" {
				t.Errorf("notice without count, place or next: %+v", n)
			}
			return n
		}
	}
	t.Errorf("no notice with %q in %+v", part, d.Notices)
	return drawing.Notice{}
}

// Gauss-Legendre nodes and weights on −1 to 1 for 8 points (Abramowitz and Stegun, table 25.4).
var gauss = [4][2]float64{
	{0.183434642495650, 0.362683783378362}, {0.525532409916329, 0.313706645877887},
	{0.796666477413627, 0.222381034453374}, {0.960289856497536, 0.101228536290376},
}

// measure gives length and enclosed area of a path, positive where it runs counterclockwise for someone
// who looks at the page (whose y grows downward).
func measure(p drawing.Path) (length, area float64) {
	from := p.Start
	for _, s := range p.Segments {
		c := [4]drawing.Vec{from, s.C1, s.C2, s.To}
		if !s.Curve {
			c[1] = drawing.Vec{X: from.X + (s.To.X-from.X)/3, Y: from.Y + (s.To.Y-from.Y)/3}
			c[2] = drawing.Vec{X: s.To.X - (s.To.X-from.X)/3, Y: s.To.Y - (s.To.Y-from.Y)/3}
		}
		for part := range 16 {
			for _, g := range gauss {
				for _, side := range []float64{-1, 1} {
					at, ahead := cubicAt(c, (float64(part)+(1+side*g[0])/2)/16)
					length += g[1] / 32 * math.Hypot(ahead.X, ahead.Y)
					area -= g[1] / 32 * (at.X*ahead.Y - at.Y*ahead.X) / 2
				}
			}
		}
		from = s.To
	}
	return length, area
}

func cubicAt(c [4]drawing.Vec, t float64) (at, ahead drawing.Vec) {
	u := 1 - t
	w := [4]float64{u * u * u, 3 * u * u * t, 3 * u * t * t, t * t * t}
	d := [4]float64{-3 * u * u, 3*u*u - 6*u*t, 6*u*t - 3*t*t, 3 * t * t}
	for i, p := range c {
		at = drawing.Vec{X: at.X + w[i]*p.X, Y: at.Y + w[i]*p.Y}
		ahead = drawing.Vec{X: ahead.X + d[i]*p.X, Y: ahead.Y + d[i]*p.Y}
	}
	return at, ahead
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.12g, want %.12g ± %g", what, got, want, tolerance)
	}
}
