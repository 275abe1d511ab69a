package engrave

import (
	"math"
	"testing"

	"kerfgate/plan/drawing"
	"pgregory.net/rapid"
)

// averaged gives all cells of a picture, from the lowest row up.
func averaged(t interface {
	Helper()
	Fatalf(string, ...any)
}, pic drawing.Picture, pitch int64) (*grid, []uint8) {
	t.Helper()
	g, err := newGrid(pic, pitch, Limits{}.WithDefaults())
	if err != nil {
		t.Fatalf("%v", err)
	}
	var out []uint8
	for k := range g.rows {
		grey, _ := g.row(k)
		out = append(out, grey...)
	}
	return g, out
}

// waves is a picture of smooth greys, w by h pixels of the given size in mm.
func waves(w, h int, pixelMM float64) drawing.Picture {
	pic := drawing.Picture{Width: w, Height: h, Right: drawing.Vec{X: pixelMM}, Down: drawing.Vec{Y: pixelMM}}
	for y := range h {
		for x := range w {
			pic.Grey = append(pic.Grey, uint8(127+100*math.Sin(float64(x)/3)*math.Cos(float64(y)/5)))
		}
	}
	return pic
}

// TestAlignedCells: where cells are pixels the answer is the picture, lowest row first; where they
// are 2 × 3 pixels it is their exact mean.
func TestAlignedCells(t *testing.T) {
	t.Parallel()
	pic := waves(30, 24, 0.1)
	g, got := averaged(t, pic, 100)
	if g.columns != 30 || g.rows != 24 || g.height(0) != -2350 {
		t.Fatalf("%d × %d cells, the lowest at %d", g.columns, g.rows, g.height(0))
	}
	for y := range 24 {
		for x := range 30 {
			if got[(23-y)*30+x] != pic.Grey[y*30+x] {
				t.Fatalf("cell (%d, %d) differs", x, y)
			}
		}
	}
	pic.Right.X, pic.Down.Y = 0.15, 0.1
	_, got = averaged(t, pic, 300)
	for y := range 8 {
		for x := range 15 {
			sum := 0
			for j := range 3 {
				for i := range 2 {
					sum += int(pic.Grey[(3*y+j)*30+2*x+i])
				}
			}
			if want := uint8((sum + 3) / 6); got[(7-y)*15+x] != want {
				t.Fatalf("cell (%d, %d): %d, want %d", x, y, got[(7-y)*15+x], want)
			}
		}
	}
}

// TestCellsAgainstIntegral: at any pitch a cell is the integral of the picture over it, which the
// test takes pixel by pixel from the areas shared. 2 × 2 samples and more a pixel and cell are off by
// at most a quarter of the greatest step between pixels.
func TestCellsAgainstIntegral(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		const size = int64(24)
		pixel := rapid.Int64Range(40, 400).Draw(t, "pixel in µm")
		pitch := rapid.Int64Range(40, 400).Draw(t, "pitch")
		pic := waves(int(size), int(size), float64(pixel)/1000)
		g, got := averaged(t, pic, pitch)
		shared := func(from, to int64, k int64) float64 { // of pixel k and a cell, in µm
			return max(0, float64(min(to, (k+1)*pixel)-max(from, k*pixel)))
		}
		worst := 0.0
		for y := range g.rows {
			top := -(g.origin.Y + (y+1)*pitch) // y down
			for x := range g.columns {
				left := g.origin.X + x*pitch
				sum, covered := 0.0, 0.0
				for j := max(0, top/pixel); j < min(size, (top+pitch)/pixel+1); j++ {
					high := shared(top, top+pitch, j)
					for i := max(0, left/pixel); i < min(size, (left+pitch)/pixel+1); i++ {
						area := high * shared(left, left+pitch, i)
						sum += area * float64(pic.Grey[j*size+i])
						covered += area
					}
				}
				if cell := float64(pitch * pitch); covered > cell*0.999 { // cells over the picture's edge hold white
					worst = max(worst, math.Abs(sum/cell-float64(got[y*g.columns+x])))
				}
			}
		}
		// Neighbouring pixels of waves differ by 100/3 at most along x and 100/5 along y.
		if worst > (100.0/3+100.0/5)/4+1 {
			t.Fatalf("pixel %d, pitch %d: off by %.1f", pixel, pitch, worst)
		}
	})
}

// TestTurnedPictures: turned by quarters, mirrored, skewed or turned by any angle a picture keeps its
// darkness; quarters and mirrors keep every cell.
func TestTurnedPictures(t *testing.T) {
	t.Parallel()
	pic := waves(30, 24, 0.2)
	darkness := func(grey []uint8) float64 {
		sum := 0.0
		for _, g := range grey {
			sum += 255 - float64(g)
		}
		return sum
	}
	g, straight := averaged(t, pic, 100)
	at := func(grey []uint8, columns int64, x, y int64) uint8 { return grey[y*columns+x] }

	quarter := pic // right becomes down, down becomes left
	quarter.Origin, quarter.Right, quarter.Down = drawing.Vec{X: 4.8}, drawing.Vec{Y: 0.2}, drawing.Vec{X: -0.2}
	q, turned := averaged(t, quarter, 100)
	mirror := pic
	mirror.Origin, mirror.Right = drawing.Vec{X: 6}, drawing.Vec{X: -0.2}
	_, mirrored := averaged(t, mirror, 100)
	if q.columns != g.rows || q.rows != g.columns {
		t.Fatalf("%d × %d cells after a quarter turn of %d × %d", q.columns, q.rows, g.columns, g.rows)
	}
	for y := range g.rows {
		for x := range g.columns {
			want := at(straight, g.columns, x, y)
			// What was x from the left is now x from the top, what was y from below y from the left.
			if got := at(turned, q.columns, y, q.rows-1-x); got != want {
				t.Fatalf("turned (%d, %d): %d, want %d", x, y, got, want)
			}
			if got := at(mirrored, g.columns, g.columns-1-x, y); got != want {
				t.Fatalf("mirrored (%d, %d): %d, want %d", x, y, got, want)
			}
		}
	}
	for degrees := 5.0; degrees < 360; degrees += 20 {
		sin, cos := math.Sincos(degrees * math.Pi / 180)
		slanted := pic
		slanted.Right, slanted.Down = drawing.Vec{X: 0.2 * cos, Y: 0.2 * sin}, drawing.Vec{X: -0.2 * sin, Y: 0.2 * cos}
		_, cells := averaged(t, slanted, 100)
		if ratio := darkness(cells) / darkness(straight); math.Abs(ratio-1) > 0.01 {
			t.Errorf("%.0f°: darkness × %.4f", degrees, ratio)
		}
		slanted.Down = drawing.Vec{X: 0.2*cos - 0.2*sin, Y: 0.2*sin + 0.2*cos} // skewed: the same area
		_, cells = averaged(t, slanted, 100)
		if ratio := darkness(cells) / darkness(straight); math.Abs(ratio-1) > 0.01 {
			t.Errorf("%.0f°, skewed: darkness × %.4f", degrees, ratio)
		}
	}
}

func TestPictureLimits(t *testing.T) {
	t.Parallel()
	change := func(with func(*drawing.Picture)) drawing.Picture {
		pic := waves(30, 24, 0.2)
		with(&pic)
		return pic
	}
	same := func(*drawing.Picture) {}
	for name, tc := range map[string]struct {
		pic    drawing.Picture
		limits Limits
	}{
		"rows":        {change(same), Limits{Rows: 47}},
		"cells":       {change(same), Limits{Cells: 60*48 - 1}},
		"samples":     {change(same), Limits{Samples: 60*48*4 - 1}},
		"pixels lost": {change(func(p *drawing.Picture) { p.Grey = p.Grey[1:] }), Limits{}},
		"no pixels":   {change(func(p *drawing.Picture) { p.Width, p.Grey = 0, nil }), Limits{}},
		"no area":     {change(func(p *drawing.Picture) { p.Down = p.Right }), Limits{}},
		"nowhere":     {change(func(p *drawing.Picture) { p.Origin.X = math.NaN() }), Limits{}},
		"far":         {change(func(p *drawing.Picture) { p.Right.X = 1e300 }), Limits{}},
		"nearly no area": {change(func(p *drawing.Picture) {
			p.Right, p.Down = drawing.Vec{X: 300, Y: 300}, drawing.Vec{X: 300, Y: 300.0001}
		}), Limits{}},
	} {
		_, err := newGrid(tc.pic, 100, tc.limits.WithDefaults())
		if r, ok := err.(*Refusal); !ok || r.What == "" || r.Next == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := newGrid(change(same), 100, Limits{Rows: 48, Cells: 60 * 48, Samples: 60 * 48 * 4}); err != nil {
		t.Errorf("exactly at its limits: %v", err)
	}
}
