package plan

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
	"kerfgate/plan/motion"

	"pgregory.net/rapid"
)

var even = motion.Limits{TravelUMPerS: 100_000, AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 1_000_000, CornerUM: 20}

// airMove orders cut lines from start and sums the straight ways between them, in mm.
func airMove(lines []line, start geom.Point) (mm float64, visits []visit) {
	visits = order(lines, nest(lines).parents, start, even)
	at := start
	for _, v := range visits {
		run := v.run(lines[v.item])
		mm += geom.Distance(at, run[0]) / 1000
		at = run[len(run)-1]
	}
	return mm, visits
}

func closedCut(points ...geom.Point) line {
	return line{op: Cut, closed: true, points: append(points, points[0])}
}

// TestKnownAirMoves: exact cases of cutting order with free entry (own, provable: every way must
// reach the outermost outline; circles in a row need the distance between the nearest points of the
// first and the last). Entry here is at vertices, so the outlines have vertices where the proof
// enters; with corners alone the squares need √2 of it.
func TestKnownAirMoves(t *testing.T) {
	t.Parallel()
	mm := func(x, y float64) geom.Point { return geom.Pt(int64(x*1000), int64(y*1000)) }
	var middles, corners []line
	for _, h := range []float64{30, 10, 20} {
		middles = append(middles, closedCut(mm(-h, -h), mm(0, -h), mm(h, -h), mm(h, 0), mm(h, h), mm(0, h), mm(-h, h), mm(-h, 0)))
		corners = append(corners, closedCut(mm(-h, -h), mm(h, -h), mm(h, h), mm(-h, h)))
	}
	var circles []line
	for i := range 5 {
		var points []geom.Point
		for k := range 64 {
			a := 2 * math.Pi * float64(k) / 64
			points = append(points, mm(20*float64(i)+5*math.Cos(a), 5*math.Sin(a)))
		}
		circles = append(circles, closedCut(points...))
	}
	for _, tc := range []struct {
		name  string
		lines []line
		start geom.Point
		want  float64
	}{
		{"N2.1 squares from their centre", middles, geom.Point{}, 30},
		{"N2.1 entered at corners", corners, geom.Point{}, 30 * math.Sqrt2},
		{"N2.2 five circles in a row", circles, mm(5, 0), 4*20 - 2*5},
		{"N2.3 from outside, one way", circles, mm(-25, 0), 25 + 80 - 5},
	} {
		if got, _ := airMove(tc.lines, tc.start); math.Abs(got-tc.want) > 0.01 {
			t.Errorf("%s: %.3f mm, want %.3f", tc.name, got, tc.want)
		}
	}
}

// TestHolesBeforeOutlines (N2.4): whatever the travel costs, no outline is cut before what lies in
// it: random nested squares and slots, through the whole planner.
func TestHolesBeforeOutlines(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var body strings.Builder
		var grow func(x, y, size float64)
		grow = func(x, y, size float64) {
			fmt.Fprintf(&body, `<rect x="%.3f" y="%.3f" width="%.3f" height="%.3f"/>`, x, y, size, size)
			if size < 2 {
				fmt.Fprintf(&body, `<path d="M%.3f %.3fh%.3f"/>`, x+size/4, y+size/4, size/4)
				return
			}
			for k := range 4 {
				if rapid.Bool().Draw(t, "child") {
					grow(x+size/16+float64(k%2)*size/2, y+size/16+float64(k/2)*size/2, size/3)
				}
			}
		}
		for i := range rapid.IntRange(1, 3).Draw(t, "plates") {
			grow(float64(i)*80, 0, 70)
		}
		p, err := Make(plateRequest(body.String()))
		if err != nil {
			t.Fatal(err)
		}
		boxes := make([]geom.Box, len(p.Strokes))
		for i, s := range p.Strokes {
			boxes[i], _ = geom.BoxOf(s.Points...)
		}
		for i := range boxes {
			for k := i + 1; k < len(boxes); k++ {
				if p.Strokes[i].Closed && boxes[k] != boxes[i] && boxes[k].Inside(boxes[i]) {
					t.Fatalf("stroke %d %v lies in stroke %d %v and comes later", k, boxes[k], i, boxes[i])
				}
			}
		}
	})
}

func plateRequest(body string) Request {
	return Request{
		Drawing: []byte(`<svg width="250mm" height="100mm" viewBox="0 0 250 100"><g fill="none" stroke="black">` + body + `</g></svg>`),
		Default: Cut, Tool: "beam",
		Profile: machine.Profile{
			TravelUM: geom.Box{Max: geom.Pt(1_000_000, 1_000_000)}, HardStops: geom.Box{Max: geom.Pt(1_000_000, 1_000_000)},
			SmallestStepUM: 10, TravelSpeedUMPerS: 100_000, WorkSpeedUMPerS: 50_000, AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 500_000,
			Tools: []machine.Tool{{Name: "beam", Kind: machine.ToolBeam, PowerMW: 1_000, SpotUM: 100,
				Switch: machine.Switch{Kind: machine.SwitchHold}}},
			Enclosure: machine.Enclosure{Kind: machine.EnclosureOpen},
		},
		Material: material.Material{Name: "card", Verdict: material.Allowed},
		Stock:    material.Stock{SheetWidthUM: 1_000_000, SheetHeightUM: 1_000_000},
		Settings: []material.Setting{{Operation: "cut", SpeedUMPerS: 10_000, PowerPermille: 1000, Passes: 1}},
	}
}

// TestOrderOfOperations: engrave, mark, draw, cut, whatever the drawing's order is.
func TestOrderOfOperations(t *testing.T) {
	t.Parallel()
	var lines []line
	for i, op := range []Operation{Cut, Draw, Mark, Engrave, Cut, Engrave} {
		y := int64(i) * 1000
		lines = append(lines, line{op: op, points: []geom.Point{geom.Pt(0, y), geom.Pt(5000, y)}})
	}
	var got []string
	for _, v := range order(lines, nest(lines).parents, geom.Point{}, even) {
		got = append(got, string(lines[v.item].op))
	}
	if want := "engrave engrave mark draw cut cut"; strings.Join(got, " ") != want {
		t.Errorf("got %v", got)
	}
}

// TestNearestAgreesWithSearch: the tree finds what looking at every open entry finds.
func TestNearestAgreesWithSearch(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		limits := even
		limits.AccelYUMPerS2 = rapid.Int64Range(10_000, 2_000_000).Draw(t, "ay")
		var entries []entry
		for i := range rapid.IntRange(1, 200).Draw(t, "n") {
			entries = append(entries, entry{geom.Pt(rapid.Int64Range(0, 300).Draw(t, "x")*1000, rapid.Int64Range(0, 300).Draw(t, "y")*1000), i / 3, i % 3})
		}
		tree := newEntryTree(append([]entry(nil), entries...), limits)
		for i := range tree.entries {
			tree.set(i, rapid.Bool().Draw(t, "open"))
		}
		from := geom.Pt(rapid.Int64Range(0, 300_000).Draw(t, "fx"), rapid.Int64Range(0, 300_000).Draw(t, "fy"))
		best := math.Inf(1)
		any := false
		for i, e := range tree.entries {
			if tree.open[i] {
				any = true
				best = min(best, limits.TravelTime(e.at.X-from.X, e.at.Y-from.Y))
			}
		}
		got, ok := tree.nearest(from)
		if ok != any {
			t.Fatalf("found %v, open %v", ok, any)
		}
		if ok {
			if time := limits.TravelTime(got.at.X-from.X, got.at.Y-from.Y); time > best*(1+1e-12) {
				t.Fatalf("%v takes %v, best is %v", got, time, best)
			}
		}
	})
}

// BenchmarkOrder100k orders a hundred thousand small closed lines on a grid.
func BenchmarkOrder100k(b *testing.B) {
	var lines []line
	for i := range int64(100_000) {
		x, y := i%400*2_000+(i*i)%700, i/400*2_000+(i*7)%900
		lines = append(lines, closedCut(geom.Pt(x, y), geom.Pt(x+900, y), geom.Pt(x+900, y+900), geom.Pt(x, y+900)))
	}
	lines = append(lines, closedCut(geom.Pt(-10, -10), geom.Pt(900_000, -10), geom.Pt(900_000, 900_000), geom.Pt(-10, 900_000)))
	for b.Loop() {
		if _, visits := airMove(lines, geom.Point{}); visits[len(visits)-1].item != len(lines)-1 {
			b.Fatal("the outline is not last")
		}
	}
}
