package plan_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/dose"
	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
	"kerfgate/plan/drawing/svg"
	"kerfgate/plan/engrave"
	"kerfgate/plan/geom"
	"kerfgate/plan/hazard/rowtest"
	"kerfgate/plan/kerf"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
	"kerfgate/plan/route"
)

// gathered are the rows that outside numbers for the planner were gathered in, by section: how many each has.
var gathered = map[int]int{2: 4, 4: 8, 5: 12, 6: 6, 7: 5}

// TestRows: every row of numbers from outside that was gathered for the planner, to the digits printed, with its
// source; and none of those that do not reproduce.
func TestRows(t *testing.T) {
	t.Parallel()
	rows := rowtest.Read(t, "testdata/rows.tsv")
	has := map[string]bool{}
	for _, r := range rows {
		has[strings.Fields(r.ID)[0]] = true
	}
	for section, n := range gathered {
		for i := range n {
			if id := fmt.Sprintf("N%d.%d", section, i+1); !has[id] {
				t.Errorf("row %s has no test", id)
			}
		}
	}
	computed := map[string]func() (any, error){}
	for _, some := range []map[string]func() (any, error){orderRows(), motionRows(), curveRows(), driveRows(), doseRows()} {
		for id, f := range some {
			computed[id] = f
		}
	}
	rowtest.Hold(t, "numbers", rows, computed)
}

// is gives what is computed without a chance of failing.
func is[T any](f func() T) func() (any, error) {
	return func() (any, error) { return f(), nil }
}

func orderRows() map[string]func() (any, error) {
	at := func(x, y float64) geom.Point { return geom.Pt(int64(math.Round(x*1000)), int64(math.Round(y*1000))) }
	straight := func(dx, dy int64) int64 {
		return int64(math.Sqrt(float64(dx)*float64(dx)+float64(dy)*float64(dy)) + 0.5)
	}
	var squares, circles []route.Item
	for _, h := range []float64{30, 10, 20} { // with vertices where the proof enters
		squares = append(squares, route.Item{Closed: true, Entries: []geom.Point{
			at(-h, -h), at(0, -h), at(h, -h), at(h, 0), at(h, h), at(0, h), at(-h, h), at(-h, 0)}})
	}
	for _, i := range []float64{3, 0, 4, 1, 2} {
		item := route.Item{Closed: true}
		for k := range 64 {
			s, c := math.Sincos(2 * math.Pi * float64(k) / 64)
			item.Entries = append(item.Entries, at(20*i+5*c, 5*s))
		}
		circles = append(circles, item)
	}
	travel := func(items []route.Item, parents []int, o route.Options) func() (any, error) {
		return func() (any, error) {
			o.Cost = straight
			visits, err := route.Order(items, parents, o)
			return float64(route.Travel(items, visits, o)) / 1000, err
		}
	}
	plate := []route.Item{{Closed: true, Entries: []geom.Point{at(0, 0), at(100, 0), at(100, 50), at(0, 50)}}}
	parents := []int{-1}
	for _, x := range []float64{75, 25, 50} {
		plate = append(plate, route.Item{Closed: true, Entries: []geom.Point{at(x-5, 20), at(x+5, 20), at(x+5, 30), at(x-5, 30)}})
		parents = append(parents, 0)
	}
	return map[string]func() (any, error){
		"N2.1": travel(squares, []int{-1, 2, 0}, route.Options{}),
		"N2.2": travel(circles, nil, route.Options{Anywhere: true}),
		"N2.3": travel(circles, nil, route.Options{Start: at(-25, 0), Return: true}),
		"N2.4": is(func() string {
			if route.Check(plate, parents, []route.Visit{{Item: 0}, {Item: 1}, {Item: 2}, {Item: 3}}) != nil {
				return "refused"
			}
			return "taken"
		}),
		"N2.4 order": func() (any, error) {
			visits, err := route.Order(plate, parents, route.Options{Cost: straight, Steps: 100})
			if err != nil || visits[len(visits)-1].Item != 0 {
				return "a hole", err
			}
			return "outline", nil
		},
	}
}

func motionRows() map[string]func() (any, error) {
	const never = 1e12 // an acceleration that takes no time
	over := func(d, v, up, down float64) func() (any, error) {
		return is(func() float64 { return motion.RestToRest(d, v, up, down) })
	}
	const v, up, down = 400.0, 1960.0, 4900.0 // mm/s, mm/s²: 0.2 g and 0.5 g
	// ramp is the way on which a speed is just reached: the shortest that takes v/a more than d/v does.
	ramp := func(v, up, down float64) float64 {
		low, high := 0.0, 1e6
		for range 100 {
			if d := (low + high) / 2; motion.RestToRest(d, v, up, down) > motion.RestToRest(d, 1e9, up, down)+1e-12 {
				high = d
			} else {
				low = d
			}
		}
		return low
	}
	const fast = 38.0 // m/s
	rows := map[string]func() (any, error){
		"N4.1":          over(100, v, up, down),
		"N4.1 up":       is(func() float64 { return motion.RestToRest(ramp(v, up, never), v, up, never) }),
		"N4.1 up mm":    is(func() float64 { return ramp(v, up, never) }),
		"N4.1 down":     is(func() float64 { return motion.RestToRest(ramp(v, never, down), v, never, down) }),
		"N4.1 down mm":  is(func() float64 { return ramp(v, never, down) }),
		"N4.1 triangle": is(func() float64 { return ramp(v, up, down) }),
		"N4.1 cruise": is(func() float64 {
			return motion.RestToRest(100, v, up, down) - motion.RestToRest(ramp(v, up, down), v, up, down)
		}),
		"N4.2":      over(200, 5, 1, 1),
		"N4.2 ramp": over(12.5, 5, 1, never),
		"N4.3":      over(1000, math.Inf(1), 0.1, 0.5),
		"N4.3 up": is(func() float64 { // up to the speed from which it stops in the rest of the way
			whole := motion.RestToRest(1000, math.Inf(1), 0.1, 0.5)
			return whole * 0.5 / (0.1 + 0.5)
		}),
		"N4.4":       over(1100, math.Inf(1), 1.2, 1.2),
		"N4.4 peak":  is(func() float64 { return 2 * 1100 / motion.RestToRest(1100, math.Inf(1), 1.2, 1.2) }),
		"N4.5":       over(10_450, fast, fast/150, fast/200),
		"N4.5 speed": is(func() float64 { return motion.RestToRest(10_450, fast, fast/150, fast/200) / 450 * fast }),
		"N4.5 up":    is(func() float64 { return fast / motion.RestToRest(fast*75, fast, fast/150, never) }),
		"N4.5 end":   over(950, never, never, fast/200),
		"N4.5 half":  over(5225, fast, fast/150, never),
		"N4.6":       over(320, 8, 1.6, 1.6),
	}
	for _, deg := range []float64{10, 30, 45, 60, 90, 120, 135, 150} {
		name := fmt.Sprintf(" %g°", deg)
		if deg == 90 {
			name = ""
		}
		sin, cos := math.Sincos(deg * math.Pi / 180)
		rows["N4.7"+name] = is(func() float64 { return motion.CornerSpeed(deg*math.Pi/180, 0.015, 1000, -1) })
		rows["N4.8"+name] = is(func() float64 { return 6 / math.Hypot(cos-1, sin) })
	}
	return rows
}

func curveRows() map[string]func() (any, error) {
	path := func(d string) (drawing.Path, error) {
		out, err := svg.Read([]byte(`<svg xmlns="http://www.w3.org/2000/svg" width="2000mm" height="2000mm" viewBox="0 0 2000 2000"><path d="`+d+`"/></svg>`), drawing.Limits{})
		if err != nil || len(out.Shapes) == 0 {
			return drawing.Path{}, err
		}
		return out.Shapes[0].Paths[0], nil
	}
	fine := func(p drawing.Path) []drawing.Vec {
		points, _ := p.Flatten(1e-8, 10_000_000)
		return points
	}
	long := func(p drawing.Path) float64 {
		sum := 0.0
		for points := fine(p); len(points) > 1; points = points[1:] {
			sum += math.Hypot(points[1].X-points[0].X, points[1].Y-points[0].Y)
		}
		return sum
	}
	along := func(d string) func() (any, error) {
		return func() (any, error) { p, err := path(d); return long(p), err }
	}
	const c = 0.5522847498307936 // 4/3·(√2 − 1)
	quarter := fmt.Sprintf("M100 0C100 %g %g 100 0 100", 100*c, 100*c)
	radial := func(extreme func(a, b float64) float64) func() (any, error) {
		return func() (any, error) {
			p, err := path(quarter)
			e := 0.0
			for _, v := range fine(p) {
				e = extreme(e, math.Hypot(v.X, v.Y)/100-1)
			}
			return e, err
		}
	}
	at := func(pick func(drawing.Vec) float64) func() (any, error) {
		return func() (any, error) {
			p, err := path("M200 300Q400 50 600 300")
			if err != nil {
				return nil, err
			}
			s, t := p.Segments[0], 0.3
			var sum [4]float64
			for i, v := range []drawing.Vec{p.Start, s.C1, s.C2, s.To} {
				sum[i] = []float64{1, 3, 3, 1}[i] * math.Pow(1-t, float64(3-i)) * math.Pow(t, float64(i)) * pick(v)
			}
			return sum[0] + sum[1] + sum[2] + sum[3], nil
		}
	}
	x, y := func(v drawing.Vec) float64 { return v.X }, func(v drawing.Vec) float64 { return v.Y }
	// arc is the ellipse of radii 100, 50 by three of its points, stretched to a circle.
	arc := func(flags string) (centre drawing.Vec, turn float64, err error) {
		p, err := path("M0 0A100 50 0 " + flags + " 100 50")
		if err != nil {
			return drawing.Vec{}, 0, err
		}
		points := fine(p)
		for i := range points {
			points[i].Y *= 2
		}
		centre, _, turn = circleOf(points)
		return drawing.Vec{X: centre.X, Y: centre.Y / 2}, turn, nil
	}
	arcX := func(flags string) func() (any, error) {
		return func() (any, error) { c, _, err := arc(flags); return c.X, err }
	}
	arcY := func(flags string) func() (any, error) {
		return func() (any, error) { c, _, err := arc(flags); return c.Y, err }
	}
	arcTurn := func(flags string) func() (any, error) {
		return func() (any, error) { _, turn, err := arc(flags); return turn, err }
	}
	// bulge is the arc of a bulge over a chord of 8 mm to the right, y upwards.
	bulge := func(b float64) (points []drawing.Vec, err error) {
		d, err := dxf.Read(entitiesOf(fmt.Sprintf("0\nLWPOLYLINE\n90\n2\n10\n100\n20\n50\n42\n%.16g\n10\n108\n20\n50\n", b)), dxf.Choices{}, drawing.Limits{})
		if err != nil {
			return nil, err
		}
		points = fine(d.Shapes[0].Paths[0])
		for i := range points {
			points[i].Y *= -1
		}
		return points, nil
	}
	chords := func(judge func(n float64) bool) func() (any, error) {
		return func() (any, error) {
			p, err := path("M20 10A10 10 0 1 1 0 10A10 10 0 1 1 20 10")
			points, _ := p.Flatten(0.01, 1_000_000)
			if n := len(points) - 1; !judge(float64(n)) {
				return fmt.Sprint(n), err
			}
			return "yes", err
		}
	}
	const b = 0.57735026918962576 // tan 30°
	return map[string]func() (any, error){
		"N5.1": radial(math.Max), "N5.1 inside": radial(math.Min), "N5.2": along(quarter),
		"N5.3": along("M0 0C.33333333333333333 0 .66666666666666667 .33333333333333333 1 1"),
		"N5.4": along("M0 0Q0 100 100 0"), "N5.5": along("M200 300Q400 50 600 300"), "N5.5 x": at(x), "N5.5 y": at(y),
		"N5.6": arcX("0,0"), "N5.6 y": arcY("0,0"), "N5.6 turn": arcTurn("0,0"),
		"N5.6 sweep": arcX("0,1"), "N5.6 sweep y": arcY("0,1"), "N5.6 sweep turn": arcTurn("0,1"),
		"N5.7": along("M300,200 h-150 a150,150 0 1,0 150,-150 z"),
		"N5.8": along("M0 0A1 1 0 0 1 200 0"), "N5.8 zero": along("M0 0A0 7 0 0 1 30 40"), "N5.8 negative": along("M0 0A-100 -100 0 0 1 100 100"),
		"N5.8 turn": func() (any, error) {
			p, err := path("M0 0A50 20 750 0 1 30 40")
			if err != nil {
				return nil, err
			}
			q, err := path("M0 0A50 20 30 0 1 30 40")
			return long(p) - long(q), err
		},
		"N5.8 nowhere": along("M30 40A50 20 0 0 1 30 40"),
		"N5.9": func() (any, error) {
			points, err := bulge(b)
			_, _, turn := circleOf(points)
			return math.Abs(turn), err
		},
		"N5.9 half": func() (any, error) {
			points, err := bulge(1)
			_, _, turn := circleOf(points)
			return math.Abs(turn), err
		},
		"N5.9 rise": func() (any, error) {
			points, err := bulge(b)
			return rise(points), err
		},
		"N5.9 radius": func() (any, error) {
			points, err := bulge(b)
			_, r, _ := circleOf(points)
			return r, err
		},
		"N5.9 way": func() (any, error) {
			points, err := bulge(-1)
			if _, _, turn := circleOf(points); turn > 0 {
				return "anticlockwise", err
			}
			return "clockwise", err
		},
		"N5.10": along("M-5 0A5 3 0 1 1 5 0A5 3 0 1 1 -5 0"),
		"N5.11": func() (any, error) { p, err := path("M10 0A10 10 0 0 1 0 10"); return rise(fine(p)), err },
		"N5.12": chords(func(n float64) bool { return n >= 71 }), "N5.12 most": chords(func(n float64) bool { return n <= 2*2.222*math.Sqrt(10/0.01)+16 }),
	}
}

// circleOf is the circle through the first, the middle and the last of the points of an arc, and by how many
// degrees it goes around, positive from x to y.
func circleOf(points []drawing.Vec) (centre drawing.Vec, radius, turn float64) {
	a, m, e := points[0], points[len(points)/2], points[len(points)-1]
	ax, ay, ex, ey := a.X-m.X, a.Y-m.Y, e.X-m.X, e.Y-m.Y
	d := 2 * (ax*ey - ay*ex)
	ux := (ey*(ax*ax+ay*ay) - ay*(ex*ex+ey*ey)) / d
	uy := (ax*(ex*ex+ey*ey) - ex*(ax*ax+ay*ay)) / d
	centre = drawing.Vec{X: m.X + ux, Y: m.Y + uy}
	part := func(p, q drawing.Vec) float64 {
		px, py, qx, qy := p.X-centre.X, p.Y-centre.Y, q.X-centre.X, q.Y-centre.Y
		return math.Atan2(px*qy-py*qx, px*qx+py*qy) * 180 / math.Pi
	}
	return centre, math.Hypot(ux, uy), part(a, m) + part(m, e)
}

// rise is how far points leave the straight way from the first to the last.
func rise(points []drawing.Vec) float64 {
	a, e, most := points[0], points[len(points)-1], 0.0
	for _, p := range points {
		most = max(most, math.Abs((e.X-a.X)*(p.Y-a.Y)-(e.Y-a.Y)*(p.X-a.X))/math.Hypot(e.X-a.X, e.Y-a.Y))
	}
	return most
}

func driveRows() map[string]func() (any, error) {
	drive := func(steps, micro int64, ratio, travel float64) machine.Drive {
		return machine.Drive{FullSteps: steps, Microsteps: micro, Ratio: ratio, TravelMM: travel}
	}
	counts := func(d machine.Drive) func() (any, error) { return is(d.CountsPerMM) }
	step := func(d machine.Drive) func() (any, error) {
		return is(func() float64 { return float64(d.StepUM()) / 1000 })
	}
	belt, screw := drive(200, 2, 1, machine.BeltTravel(2, 20)), drive(200, 16, 20.0/32, 8)
	return map[string]func() (any, error){
		"N6.1": counts(belt), "N6.1 step": step(belt),
		"N6.2": counts(screw), "N6.2 turn": is(func() float64 { return 200 * 16 / screw.CountsPerMM() }),
		"N6.3": counts(drive(200, 16, 2, 360)), "N6.4": step(drive(400, 1, 1, 8)),
		"N6.5":          is(func() float64 { return machine.RackTravel(2, 20) }),
		"N6.6":          is(drive(200, 1, 5, machine.WheelTravel(30)).DegreesPerMM),
		"N6.6 straight": is(drive(200, 1, 1, machine.WheelTravel(40)).DegreesPerMM),
	}
}

func doseRows() map[string]func() (any, error) {
	const width, height, cut = 2_000, 4_000, 200 // µm
	rectangle := []geom.Point{{}, geom.Pt(width, 0), geom.Pt(width, height), geom.Pt(0, height), {}}
	size := func(w, h int64) string { return fmt.Sprintf("%.1f × %.1f", float64(w)/1000, float64(h)/1000) }
	along := func(dropout bool) func() (any, error) {
		return func() (any, error) {
			moved, err := kerf.Compensate([]kerf.Contour{{Points: rectangle, Dropout: dropout, Parent: -1}}, cut, 10)
			if err != nil || len(moved.Rings) != 1 {
				return nil, fmt.Errorf("%d rings: %v", len(moved.Rings), err)
			}
			b, _ := geom.BoxOf(moved.Rings[0].Points...)
			return size(b.Width(), b.Height()), nil
		}
	}
	// What the beam leaves is as far from where it goes as half of what it takes away.
	left := func(by int64) func() (any, error) {
		return func() (any, error) {
			rings, err := geom.Offset([][]geom.Point{rectangle}, by, 10)
			if err != nil || len(rings) != 1 {
				return nil, fmt.Errorf("%d rings: %v", len(rings), err)
			}
			b, _ := geom.BoxOf(rings[0]...)
			return size(b.Width(), b.Height()), nil
		}
	}
	return map[string]func() (any, error){
		"N7.1": is(func() float64 { return dose.SpotDose(0.05, 2) * 100 }),
		"N7.2": is(func() float64 { return dose.LineDose(10, 100) }), "N7.2 area": is(func() float64 { return dose.AreaDose(10, 100, 0.1) }),
		"N7.3": is(func() float64 { return dose.LineDose(40, 300) }), "N7.3 area": is(func() float64 { return dose.AreaDose(40, 300, 0.1) }),
		"N7.4": along(false), "N7.4 opening": along(true), "N7.4 part": left(-cut / 2), "N7.4 gap": left(cut / 2),
		"N7.5": func() (any, error) { return engrave.PitchMM(254) },
	}
}
