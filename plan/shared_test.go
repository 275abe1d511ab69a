package plan_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

// once is a request with one pass and a kerf of 0.2 mm.
func once(body string) plan.Request {
	req := request(inMM(body))
	req.Settings[0].Passes, req.Settings[0].KerfUM = 1, 200
	return req
}

// burned says whether a point lies within half a kerf of a stroke: what the beam takes away, computed
// here without the planner's geometry.
func burned(p *plan.Plan, x, y, half float64) bool {
	for _, s := range p.Strokes {
		for i := 1; i < len(s.Points); i++ {
			ax, ay := float64(s.Points[i-1].X), float64(s.Points[i-1].Y)
			dx, dy := float64(s.Points[i].X)-ax, float64(s.Points[i].Y)-ay
			t := math.Max(0, math.Min(1, ((x-ax)*dx+(y-ay)*dy)/(dx*dx+dy*dy)))
			if math.Hypot(ax+t*dx-x, ay+t*dy-y) <= half {
				return true
			}
		}
	}
	return false
}

// TestSharedEdges: two pieces side by side, pieces of two heights, and a lattice. The shared edge is cut
// once and costs each piece half a kerf; everything else has the drawn size (the rule of row N7.4: the
// outline grows by half a kerf; source: a cutting shop's page on kerf).
func TestSharedEdges(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		body            string
		pieces          int
		lengthMM        float64 // of all cuts, ±1 % for round corners
		narrower, lower int64
		shared          int64
	}{
		// 2·(40.2 + 20.2) around, 20 + 2·0.1 between
		"two squares": {`<path d="M10 10h20v20h-20z M30 10h20v20h-20z"/>`, 2, 141, 100, 0, 20_000},
		// a frame of 40.2, two lines of 40.2
		"lattice": {`<path d="M10 10h40v40h-40z M30 10v40M10 30h40"/>`, 4, 241.2, 100, 100, 40_000},
		// the middle one of three loses on both sides
		"three": {`<path d="M10 10h10v20h-10z M20 10h10v20h-10z M30 10h10v20h-10z"/>`, 3, 141.2, 200, 0, 40_000},
	} {
		p := mustMake(t, once(c.body))
		length := 0.0
		for _, s := range p.Strokes {
			length += float64(geom.Length(s.Points)) / 1000
		}
		near(t, name+": mm of cuts", length, c.lengthMM, c.lengthMM/100)
		if len(p.Pieces) != c.pieces {
			t.Fatalf("%s: pieces %+v", name, p.Pieces)
		}
		var most plan.Piece
		for _, piece := range p.Pieces {
			if piece.NarrowerUM >= most.NarrowerUM {
				most = piece
			}
		}
		if most.NarrowerUM != c.narrower || most.LowerUM != c.lower || most.SharedUM != c.shared {
			t.Errorf("%s: %+v", name, most)
		}
		if !warned(p, "edges that pieces share: cut once") || warned(p, "without half a kerf") {
			t.Errorf("%s: warnings %+v", name, p.Warnings)
		}
		// What is left of each piece, counted point by point.
		for _, piece := range p.Pieces {
			const step = 25
			left, fromX, toX := 0.0, math.Inf(1), math.Inf(-1)
			b := piece.Extents
			for y := b.Min.Y + step/2; y < b.Max.Y; y += 16 * step {
				for x := b.Min.X + step/2; x < b.Max.X; x += step {
					if !burned(p, float64(x), float64(y), 100) {
						left++
						fromX, toX = math.Min(fromX, float64(x)), math.Max(toX, float64(x))
					}
				}
			}
			width := toX - fromX + step
			near(t, fmt.Sprintf("%s: width of piece %d", name, piece.Number), width, float64(b.Width()-piece.NarrowerUM), 2*step)
		}
	}
}

// TestSharedWaste: two openings side by side leave the piece around them as drawn, and so does a slit
// that runs over its edge.
func TestSharedWaste(t *testing.T) {
	t.Parallel()
	p := mustMake(t, once(`<path d="M10 10h60v60h-60z M20 20h20v20h-20z M40 20h10v20h-10z"/>`))
	if p.Numbers.Pieces != 1 || p.Numbers.Dropouts != 2 {
		t.Fatalf("%d pieces, %d drop-outs", p.Numbers.Pieces, p.Numbers.Dropouts)
	}
	// The openings together are 30 × 20 in a piece whose lower left corner lies at 0.1.
	for _, at := range [][2]float64{{10_090, 40_000}, {30_100, 50_110}, {30_100, 30_090}, {40_110, 40_000}} {
		if burned(p, at[0], at[1], 100) {
			t.Errorf("the piece is burned at %v", at)
		}
	}
	p = mustMake(t, once(`<path d="M10 10h20v20h-20z M20 5v15"/>`))
	if p.Numbers.Pieces != 1 || p.Pieces[0].Extents.Width() != 20_000 || p.Pieces[0].AreaMM2 != 400 {
		t.Fatalf("a slit: %+v", p.Pieces)
	}
}

// TestSharedAnywhere: rectangles laid edge to edge at random. Nothing of a piece farther than half a kerf
// from a shared edge is burned, and along every drawn edge the cut goes through.
func TestSharedAnywhere(t *testing.T) {
	t.Parallel()
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 9))
		const columns, rows, cell = 5, 4, 6 // cells of 6 mm; a piece takes one or two
		owner := map[[2]int]int{}
		var body strings.Builder
		n := 0
		for y := range rows {
			for x := range columns {
				if owner[[2]int{x, y}] != 0 || r.IntN(4) == 0 {
					continue
				}
				w, h := 1, 1
				if x+1 < columns && r.IntN(3) == 0 && owner[[2]int{x + 1, y}] == 0 {
					w = 2
				} else if y+1 < rows && r.IntN(3) == 0 {
					h = 2
				}
				n++
				for i := range w {
					for k := range h {
						owner[[2]int{x + i, y + k}] = n
					}
				}
				fmt.Fprintf(&body, `<rect x="%d" y="%d" width="%d" height="%d"/>`, x*cell, y*cell, w*cell, h*cell)
			}
		}
		if n == 0 {
			continue
		}
		p := mustMake(t, once(body.String()))
		if int(p.Numbers.Pieces) < n || p.Numbers.Dropouts > 0 {
			t.Errorf("seed %d: %d rectangles, %d pieces", seed, n, p.Numbers.Pieces)
		}
		// Where the drawing's cell 0, 0 lies in the plan, whose y goes up.
		left, bottom := columns, -1
		for at := range owner {
			left, bottom = min(left, at[0]), max(bottom, at[1])
		}
		at := func(x, y float64) (float64, float64) {
			return (x-float64(left*cell))*1000 + 100, (float64((bottom+1)*cell)-y)*1000 + 100
		}
		// Cells without a rectangle that cannot be left by their sides are enclosed: pieces too.
		open := map[[2]int]bool{{-1, -1}: true}
		for grew := true; grew; {
			grew = false
			for y := -1; y <= rows; y++ {
				for x := -1; x <= columns; x++ {
					free := owner[[2]int{x, y}] == 0 && !open[[2]int{x, y}]
					if free && (open[[2]int{x - 1, y}] || open[[2]int{x + 1, y}] || open[[2]int{x, y - 1}] || open[[2]int{x, y + 1}]) {
						open[[2]int{x, y}], grew = true, true
					}
				}
			}
		}
		for c, o := range owner {
			if o == 0 {
				continue
			}
			for _, d := range [][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				other := owner[[2]int{c[0] + d[0], c[1] + d[1]}]
				// Along this side, at three places and at three depths into the cell, in mm.
				for _, u := range []float64{-2.7, 0.4, 2.7} {
					mx, my := float64(c[0])*cell+3, float64(c[1])*cell+3
					place := func(depth float64) (float64, float64) {
						return at(mx+float64(d[0])*(3-depth)+u*math.Abs(float64(d[1])), my+float64(d[1])*(3-depth)+u*math.Abs(float64(d[0])))
					}
					kept := 0.003
					if other != o && !open[[2]int{c[0] + d[0], c[1] + d[1]}] {
						kept = 0.103
					}
					if x, y := place(kept); burned(p, x, y, 100) {
						t.Fatalf("seed %d: cell %v burned %v mm from its side to %v", seed, c, kept, d)
					}
					if x, y := place(-0.003); other != o && !burned(p, x, y, 100) {
						t.Fatalf("seed %d: cell %v is not cut at its side to %v", seed, c, d)
					}
				}
			}
		}
	}
}
