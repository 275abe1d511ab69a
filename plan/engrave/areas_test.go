package engrave_test

import (
	"math"
	"slices"
	"testing"

	"kerfgate/plan/engrave"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"pgregory.net/rapid"
)

func circle(radius float64) []geom.Point {
	const corners = 720
	points := make([]geom.Point, 0, corners+1)
	for i := range corners + 1 {
		a := 2 * math.Pi * float64(i%corners) / corners
		points = append(points, geom.Pt(int64(math.Round(radius*math.Cos(a))), int64(math.Round(radius*math.Sin(a)))))
	}
	return points
}

// outlined are areas of one outline each, none of them painted.
func outlined(outlines ...[]geom.Point) []engrave.Area {
	areas := make([]engrave.Area, len(outlines))
	for i, points := range outlines {
		areas[i] = engrave.Area{Outlines: [][]geom.Point{points}, EvenOdd: true}
	}
	return areas
}

// marked is the length with the tool on.
func marked(rows []engrave.Row) int64 {
	var um int64
	for _, r := range rows {
		if len(r.On) == 0 {
			um += geom.Length(r.Points)
		}
		for _, s := range r.On {
			um += s.To - s.From
		}
	}
	return um
}

// TestAreaOfRows: rows times pitch are the area. Of a circle that is πr², of a ring π(R² − r²), of a
// square its side squared, whether the tool is switched in motion or at rest.
func TestAreaOfRows(t *testing.T) {
	t.Parallel()
	outline := []geom.Point{{}, geom.Pt(20_000, 0), geom.Pt(20_000, 20_000), geom.Pt(0, 20_000), {}}
	for _, tc := range []struct {
		name     string
		outlines [][]geom.Point
		want     float64 // µm²
		within   float64 // of it
	}{
		{"square", [][]geom.Point{outline}, 400e6, 0},
		{"circle", [][]geom.Point{circle(20_000)}, math.Pi * 400e6, 5e-4},
		{"ring", [][]geom.Point{circle(20_000), circle(12_000)}, math.Pi * (400e6 - 144e6), 1e-3},
		{"the same twice", [][]geom.Point{outline, outline}, 0, 0},
	} {
		for _, inMotion := range []bool{false, true} {
			p := pattern()
			p.Switch.InMotion = inMotion
			rows, err := engrave.Areas(outlined(tc.outlines...), p, engrave.Limits{})
			if err != nil {
				t.Fatal(err)
			}
			got := float64(marked(rows) * p.PitchUM)
			if math.Abs(got-tc.want) > tc.within*tc.want {
				t.Errorf("%s, in motion %v: %.0f µm², want %.0f", tc.name, inMotion, got, tc.want)
			}
		}
	}
}

// TestRowsOfRing: at rest every part is a row of its own; in motion a level line is one row with
// both parts on, with over-travel at its ends, and the next one comes back.
func TestRowsOfRing(t *testing.T) {
	t.Parallel()
	box := func(r int64) []geom.Point {
		return []geom.Point{geom.Pt(-r, -r), geom.Pt(r, -r), geom.Pt(r, r), geom.Pt(-r, r), geom.Pt(-r, -r)}
	}
	ring := [][]geom.Point{box(3000), box(1000)}
	p := pattern()
	p.PitchUM = 2000 // rows at −2, 0 and 2 mm
	rows, err := engrave.Areas(outlined(ring...), p, engrave.Limits{})
	if err != nil || len(rows) != 3 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	if r := rows[1]; r.Points[0] != geom.Pt(8000, 0) || r.Points[1] != geom.Pt(-8000, 0) || len(r.On) != 2 ||
		r.On[0].From != 5000 || r.On[0].To != 7000 || r.On[1].From != 9000 || r.On[1].To != 11_000 {
		t.Errorf("in motion: %v", r)
	}
	p.OneWay = true
	if rows, err = engrave.Areas(outlined(ring...), p, engrave.Limits{}); err != nil || rows[1].Points[0] != geom.Pt(-8000, 0) {
		t.Errorf("one way: %v, %v", rows, err)
	}
	p.OneWay = false
	p.Switch.InMotion = false
	rows, err = engrave.Areas(outlined(ring...), p, engrave.Limits{})
	if err != nil || len(rows) != 4 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	if r := rows[1]; r.Points[0] != geom.Pt(3000, 0) || r.Points[1] != geom.Pt(1000, 0) || r.On != nil {
		t.Errorf("at rest: %v", r)
	}
	// A switch that is too slow for the speed has every part begin and end at rest.
	p.Switch = machine.Switch{InMotion: true, OnDelayMS: 300}
	if rows, err = engrave.Areas(outlined(ring...), p, engrave.Limits{}); err != nil || len(rows) != 4 {
		t.Errorf("too slow a switch: %d rows, %v", len(rows), err)
	}
}

// TestRulesOfAreas: two squares that overlap, and one in another, by both fill rules, painted or not.
// The areas are sums and differences of squares; the rules are those of SVG 2, 13.4.2.
func TestRulesOfAreas(t *testing.T) {
	t.Parallel()
	square := func(at, side int64) []geom.Point {
		a, b := at, at+side
		return []geom.Point{geom.Pt(a, a), geom.Pt(b, a), geom.Pt(b, b), geom.Pt(a, b), geom.Pt(a, a)}
	}
	turned := func(points []geom.Point) []geom.Point {
		points = slices.Clone(points)
		slices.Reverse(points)
		return points
	}
	two := [][]geom.Point{square(0, 20_000), square(10_000, 20_000)} // share 100 mm²
	in := [][]geom.Point{square(0, 20_000), square(5_000, 10_000)}
	each := func(painted bool, outlines [][]geom.Point) (areas []engrave.Area) {
		for _, o := range outlines {
			areas = append(areas, engrave.Area{Outlines: [][]geom.Point{o}, Painted: painted})
		}
		return areas
	}
	for _, tc := range []struct {
		name  string
		areas []engrave.Area
		mm2   float64
	}{
		{"one shape, overlapping, non-zero", []engrave.Area{{Outlines: two}}, 700},
		{"one shape, overlapping, even-odd", []engrave.Area{{Outlines: two, EvenOdd: true}}, 600},
		{"one shape, overlapping the other way round, non-zero", []engrave.Area{{Outlines: [][]geom.Point{two[0], turned(two[1])}}}, 600},
		{"one shape, inside, non-zero", []engrave.Area{{Outlines: in}}, 400},
		{"one shape, inside, even-odd", []engrave.Area{{Outlines: in, EvenOdd: true}}, 300},
		{"one shape, inside the other way round, non-zero", []engrave.Area{{Outlines: [][]geom.Point{in[0], turned(in[1])}}}, 300},
		{"two painted, overlapping", each(true, two), 700},
		{"two painted, inside", each(true, in), 400},
		{"two outlines, overlapping", each(false, two), 600},
		{"two outlines, inside", each(false, in), 300},
		{"a painted one over an outline that is a hole in another", append(each(false, in), each(true, in[1:])...), 400},
	} {
		rows, err := engrave.Areas(tc.areas, pattern(), engrave.Limits{})
		if got := float64(marked(rows)*pattern().PitchUM) / 1e6; err != nil || got != tc.mm2 {
			t.Errorf("%s: %g mm², want %g (%v)", tc.name, got, tc.mm2, err)
		}
	}
}

// TestRowsLieInside: the tool is on exactly where a ray to the right of the point, half a micrometre
// above the row, meets the outlines an odd number of times (even-odd rule of SVG 2, 13.4.2), or, by the
// other rule, not equally often upwards and downwards.
func TestRowsLieInside(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var outlines [][]geom.Point
		for range 2 {
			var points []geom.Point
			for range rapid.IntRange(3, 8).Draw(t, "corners") {
				points = append(points, geom.Pt(rapid.Int64Range(0, 4000).Draw(t, "x"), rapid.Int64Range(0, 4000).Draw(t, "y")))
			}
			outlines = append(outlines, append(points, points[0]))
		}
		p := pattern()
		p.PitchUM = rapid.Int64Range(40, 400).Draw(t, "pitch")
		p.Switch.InMotion = rapid.Bool().Draw(t, "in motion")
		area := engrave.Area{Outlines: outlines, EvenOdd: rapid.Bool().Draw(t, "even-odd"), Painted: rapid.Bool().Draw(t, "painted")}
		rows, err := engrave.Areas([]engrave.Area{area}, p, engrave.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		on := map[int64][][2]int64{}
		for _, r := range rows {
			on[r.Points[0].Y] = append(on[r.Points[0].Y], ends(r)...)
		}
		for y, parts := range on {
			for range 20 {
				x := rapid.Int64Range(0, 4000).Draw(t, "at")
				is, near, times := false, false, 0
				for _, e := range parts {
					is = is || e[0] < x && x < e[1]
				}
				for _, points := range outlines {
					for i := 1; i < len(points); i++ {
						a, b, level := points[i-1], points[i], float64(y)+0.5
						if (float64(a.Y) > level) == (float64(b.Y) > level) {
							continue
						}
						crossing := float64(a.X) + (level-float64(a.Y))/float64(b.Y-a.Y)*float64(b.X-a.X)
						near = near || math.Abs(crossing-float64(x)) <= 1 // rounded to the grid
						switch {
						case crossing <= float64(x):
						case b.Y > a.Y:
							times++
						default:
							times--
						}
					}
				}
				if inside := times != 0 && (!area.EvenOdd || times%2 != 0); is != inside && !near {
					t.Fatalf("(%d, %d): on %v, inside %v", x, y, is, inside)
				}
			}
		}
	})
}

// ends are the parts of a row with the tool on, along x.
func ends(r engrave.Row) [][2]int64 {
	from, to := r.Points[0].X, r.Points[1].X
	if len(r.On) == 0 {
		return [][2]int64{{min(from, to), max(from, to)}}
	}
	var out [][2]int64
	for _, s := range r.On {
		if from < to {
			out = append(out, [2]int64{from + s.From, from + s.To})
		} else {
			out = append(out, [2]int64{from - s.To, from - s.From})
		}
	}
	return out
}

// TestTurningSavesTravel: rows of a disc that turn round at their ends leave less than a twentieth of
// the way without the tool that rows of one direction do.
func TestTurningSavesTravel(t *testing.T) {
	t.Parallel()
	between := func(oneWay bool) (um float64) {
		p := pattern()
		p.OneWay = oneWay
		rows, err := engrave.Areas(outlined(circle(20_000)), p, engrave.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		for i := 1; i < len(rows); i++ {
			um += geom.Distance(rows[i-1].Points[1], rows[i].Points[0])
		}
		return um
	}
	if turning, oneWay := between(false), between(true); turning > oneWay/20 {
		t.Errorf("%.0f µm turning round, %.0f µm one way", turning, oneWay)
	}
}

func TestAreaLimits(t *testing.T) {
	t.Parallel()
	comb := []geom.Point{{}}
	for i := range int64(50) {
		comb = append(comb, geom.Pt(i*100+20, 10_000), geom.Pt(i*100+100, 0))
	}
	comb = append(comb, geom.Pt(5000, -10), geom.Pt(0, -10), geom.Point{})
	p := pattern()
	p.Switch.InMotion = false
	all, err := engrave.Areas(outlined(comb), p, engrave.Limits{})
	if err != nil || len(all) < 4000 {
		t.Fatalf("%d rows, %v", len(all), err)
	}
	for _, limits := range []engrave.Limits{{Rows: len(all) - 1}, {Rows: 10}, {Spans: len(all) - 1}, {Crossings: 2*len(all) - 1}} {
		_, err := engrave.Areas(outlined(comb), p, limits)
		if r := refusal(t, err); r.Limit == "" || r.Value == "" || r.Next == "" {
			t.Errorf("%+v: %+v", limits, r)
		}
	}
	for _, bad := range []func(*engrave.Pattern){
		func(p *engrave.Pattern) { p.PitchUM = 0 }, func(p *engrave.Pattern) { p.SpeedUMPerS = 0 },
		func(p *engrave.Pattern) { p.AccelUMPerS2 = -1 }, func(p *engrave.Pattern) { p.Switch.OnDelayMS = -1 },
	} {
		p := pattern()
		bad(&p)
		_, err := engrave.Areas(outlined(comb), p, engrave.Limits{})
		refusal(t, err)
	}
}
