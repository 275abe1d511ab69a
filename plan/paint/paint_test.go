package paint

import (
	"math"
	"testing"
)

func covered(m *Mask) (sum float64) {
	for _, a := range m.pix {
		sum += float64(a) / 255
	}
	return sum
}

// TestArea: a disc covers π·r² pixels, a ring the difference; what lies outside is left out.
func TestArea(t *testing.T) {
	t.Parallel()
	circle := func(x, y, r float64) (o []Vec) {
		for i := range 360 {
			a := float64(i) * math.Pi / 180
			o = append(o, Vec{x + r*math.Cos(a), y + r*math.Sin(a)})
		}
		return o
	}
	for _, tc := range []struct {
		name     string
		outlines [][]Vec
		want     float64
	}{
		{"disc", [][]Vec{circle(50, 50, 30)}, math.Pi * 900},
		{"ring", [][]Vec{circle(50, 50, 30), circle(50, 50, 20)}, math.Pi * 500},
		{"half outside", [][]Vec{circle(0, 50, 30)}, math.Pi * 450},
		{"rectangle between pixels", [][]Vec{{{10.25, 10}, {20.75, 10}, {20.75, 20.5}, {10.25, 20.5}}}, 10.5 * 10.5},
	} {
		m := NewMask(100, 100)
		m.Area(tc.outlines, nil)
		if got := covered(m); math.Abs(got-tc.want) > 0.005*tc.want {
			t.Errorf("%s: %.1f pixels, want %.1f", tc.name, got, tc.want)
		}
	}
}

// TestLine: a straight line covers its length times its width and its round ends, in every
// direction; a fine one is as much paler as it is thinner than a pixel.
func TestLine(t *testing.T) {
	t.Parallel()
	for _, angle := range []float64{0, 17, 45, 90, 133} {
		a := angle * math.Pi / 180
		p, q := Vec{100 - 60*math.Cos(a), 100 - 60*math.Sin(a)}, Vec{100 + 60*math.Cos(a), 100 + 60*math.Sin(a)}
		m := NewMask(200, 200)
		m.Line([]Vec{p, q}, 4)
		if got, want := covered(m), 120*4+math.Pi*4; math.Abs(got-want) > 0.03*want {
			t.Errorf("%v°: %.1f pixels, want %.1f", angle, got, want)
		}
		whole, half := NewMask(200, 200), NewMask(200, 200)
		whole.Line([]Vec{p, q}, 1)
		half.Line([]Vec{p, q}, 0.5)
		if got := covered(half) / covered(whole); math.Abs(got-0.5) > 0.02 {
			t.Errorf("%v°: half a pixel has %.2f of one", angle, got)
		}
	}
	m := NewMask(20, 20)
	m.Line([]Vec{{-500, 10}, {500, 10}}, 2)
	m.Line([]Vec{{9, 9}}, 2)
	if got := covered(m); got < 39 || got > 44 {
		t.Errorf("a line beyond both edges covers %.1f pixels", got)
	}
}

// TestDashes: strokes and gaps of one length cover half of the line.
func TestDashes(t *testing.T) {
	t.Parallel()
	whole, dashed := NewMask(220, 20), NewMask(220, 20)
	way := []Vec{{10, 10}, {110, 10}, {210, 10}}
	whole.Line(way, 2)
	dashed.Dashes(way, 2, 10, 10)
	if got := covered(dashed) / covered(whole); math.Abs(got-0.57) > 0.05 { // round ends add a pixel each
		t.Errorf("%.2f of the line", got)
	}
}
