package oracle_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"

	"kerfgate/deploy/demo"
	"kerfgate/plan"
	"kerfgate/plan/drawing"
	"kerfgate/plan/geom"
	"kerfgate/worker/driver/simulated"
)

// chainWithinMM is how far what is burned may lie from what is drawn: own, as the project's page of
// numbers asks.
const chainWithinMM = 0.3

// TestChain holds the whole chain against Chromium: each of the demo's drawings is planned, rendered
// as motion lines and burned by the simulated machine. Every burned place lies within 0.3 mm of the
// geometry that the browser draws (getPointAtLength through the element's matrix, and isPointInFill
// where an area is engraved), and every place that the browser draws within 0.3 mm of a burned one. Half
// a kerf is not allowed for, so that both are the drawn lines.
func TestChain(t *testing.T) {
	drawings := demo.Drawings()
	cutter := demo.Machines()[0]
	lots := map[string]demo.Lot{}
	for _, lot := range demo.Shelf() {
		lots[lot.Material.Name] = lot
	}
	sheets := make([]sheet, len(drawings))
	plans := make([]*plan.Plan, len(drawings))
	dir := t.TempDir()
	engraved := 0
	for i, d := range drawings {
		lot := lots[d.Material]
		var err error
		plans[i], err = plan.Make(plan.Request{Drawing: d.Data(), Operations: d.Operations, Default: plan.Cut, Tool: "beam", Profile: cutter.Profile,
			Material: lot.Material, Stock: lot.Stock, Settings: demo.Settings(cutter, "beam", d.Material), Choices: plan.Choices{NoKerf: true}})
		if err != nil {
			t.Fatalf("%s: %v", d.File, err)
		}
		// Points close enough together that none of a burned line lies far from all of them.
		data := bytes.Replace(d.Data(), []byte("<svg "), []byte(`<svg data-step="1" `), 1)
		for _, g := range plans[i].Groups {
			if d.Operations[g.Letter] == plan.Engrave {
				data = bytes.Replace(data, []byte(`id="`+g.Layer+`"`), []byte(`id="`+g.Layer+`" data-filled="1"`), 1)
				engraved++
			}
		}
		sheets[i].file = filepath.Join(dir, d.File)
		if err := os.WriteFile(sheets[i].file, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if engraved == 0 {
		t.Error("no drawing engraves an area")
	}
	seen := openChromium(t).draw(t, sheets)
	for i, d := range drawings {
		t.Run(d.File, func(t *testing.T) {
			reference := referenceOf(seen[i])
			origin := geom.Pt(20_000, 30_000)
			burned := pointsAlong(burn(t, cutter, plans[i], origin), origin)
			if len(reference) < 500 || len(burned) < 1_000 {
				t.Fatalf("%d places drawn, %d burned", len(reference), len(burned))
			}
			far, at := farthest(burned, reference)
			back, from := farthest(reference, burned)
			t.Logf("%d places drawn, %d burned; farthest burned from drawn %.3f mm, drawn from burned %.3f mm", len(reference), len(burned), far, back)
			if far > chainWithinMM {
				t.Errorf("burned at %.2f, %.3f mm from all that is drawn", at, far)
			}
			if back > chainWithinMM {
				t.Errorf("drawn at %.2f, %.3f mm from all that is burned", from, back)
			}
		})
	}
}

// referenceOf are the browser's points in mm from the lower left corner of all of them, y upwards.
func referenceOf(s seen) []drawing.Vec {
	var points []drawing.Vec
	left, low := math.Inf(1), math.Inf(-1)
	for _, shape := range s.Shapes {
		for _, p := range slices.Concat(shape.Points, shape.Filled) {
			v := drawing.Vec{X: p[0] * mmPerPx, Y: p[1] * mmPerPx}
			left, low = min(left, v.X), max(low, v.Y)
			points = append(points, v)
		}
	}
	for i, v := range points {
		points[i] = drawing.Vec{X: v.X - left, Y: low - v.Y}
	}
	return points
}

// burn carries the plan out on the simulated machine, in time that passes at once, and gives the lines
// that it burned.
func burn(t *testing.T, m demo.Machine, p *plan.Plan, origin geom.Point) (lines [][]geom.Point) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		d, err := simulated.New(simulated.Config{Profile: m.Profile, Tool: "beam", Seed: 7})
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		ctx := t.Context()
		if err := errors.Join(d.Open(ctx), d.Home(ctx), d.Arm([16]byte{1})); err != nil {
			t.Fatal(err)
		}
		for _, line := range []string{"G21", "G90", fmt.Sprintf("G0 X%.3f Y%.3f", float64(origin.X)/1000, float64(origin.Y)/1000)} {
			if err := d.Send(ctx, line); err != nil {
				t.Fatalf("%s: %v", line, err)
			}
		}
		for l := range plan.Lines(p, m.Profile, origin) {
			if err := d.Send(ctx, l.Text); err != nil {
				t.Fatalf("line %d, %s: %v", l.Seq, l.Text, err)
			}
		}
		if err := d.Drain(ctx); err != nil {
			t.Fatal(err)
		}
		s, err := d.Sheet()
		if err != nil {
			t.Fatal(err)
		}
		lines = s.Polylines
	})
	return lines
}

// pointsAlong are places at most 0.1 mm apart along the lines, in mm from the origin.
func pointsAlong(lines [][]geom.Point, origin geom.Point) []drawing.Vec {
	var out []drawing.Vec
	for _, line := range lines {
		for i := 1; i < len(line); i++ {
			a, b := line[i-1].Sub(origin), line[i].Sub(origin)
			n := int(geom.Distance(a, b)/100) + 1
			for k := range n {
				s := float64(k) / float64(n)
				out = append(out, drawing.Vec{X: (float64(a.X) + float64(b.X-a.X)*s) / 1000, Y: (float64(a.Y) + float64(b.Y-a.Y)*s) / 1000})
			}
		}
	}
	return out
}

// farthest is the greatest distance in mm of one of the points from the nearest of the others, looked
// for up to 2 mm, and which point that is.
func farthest(points, others []drawing.Vec) (most float64, at drawing.Vec) {
	const cell, reach = 0.5, 4
	key := func(v drawing.Vec) [2]int { return [2]int{int(math.Floor(v.X / cell)), int(math.Floor(v.Y / cell))} }
	grid := map[[2]int][]drawing.Vec{}
	for _, o := range others {
		grid[key(o)] = append(grid[key(o)], o)
	}
	for _, p := range points {
		k := key(p)
		nearest := cell * reach
		for ring := 0; ring <= reach && float64(ring-1)*cell < nearest; ring++ {
			for x := k[0] - ring; x <= k[0]+ring; x++ {
				for y := k[1] - ring; y <= k[1]+ring; y++ {
					if max(x-k[0], k[0]-x, y-k[1], k[1]-y) != ring {
						continue
					}
					for _, o := range grid[[2]int{x, y}] {
						nearest = min(nearest, distance(p, o))
					}
				}
			}
		}
		if nearest > most {
			most, at = nearest, p
		}
	}
	return most, at
}
