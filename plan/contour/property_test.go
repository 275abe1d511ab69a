package contour_test

import (
	"math"
	"reflect"
	"runtime"
	"slices"
	"testing"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
	"pgregory.net/rapid"
)

const step = 1000

// drawGrid gives lines along the edges, and if diagonal along the diagonals, of a grid of squares of
// one step, with many overlaps.
func drawGrid(t *rapid.T, size int64, diagonal bool, ops ...string) []contour.Line {
	directions := [][2]int64{{1, 0}, {0, 1}, {-1, 0}, {0, -1}}
	if diagonal {
		directions = append(directions, [][2]int64{{1, 1}, {-1, 1}, {-1, -1}, {1, -1}}...)
	}
	var lines []contour.Line
	for range rapid.IntRange(1, 8).Draw(t, "lines") {
		at := geom.Pt(rapid.Int64Range(0, size).Draw(t, "x"), rapid.Int64Range(0, size).Draw(t, "y"))
		xy := []int64{at.X * step, at.Y * step}
		for range rapid.IntRange(1, 8).Draw(t, "moves") {
			d := directions[rapid.IntRange(0, len(directions)-1).Draw(t, "direction")]
			n := rapid.Int64Range(1, size).Draw(t, "n")
			for n > 0 && (at.X+n*d[0] < 0 || at.X+n*d[0] > size || at.Y+n*d[1] < 0 || at.Y+n*d[1] > size) {
				n--
			}
			at = at.Add(geom.Pt(n*d[0], n*d[1]))
			xy = append(xy, at.X*step, at.Y*step)
		}
		if first := geom.Pt(xy[0]/step, xy[1]/step); first.X == at.X || first.Y == at.Y || diagonal && abs(first.X-at.X) == abs(first.Y-at.Y) {
			if rapid.Bool().Draw(t, "close") {
				xy = append(xy, xy[0], xy[1])
			}
		}
		l := path(rapid.SampledFrom(ops).Draw(t, "op"), xy...)
		l.Group = rapid.IntRange(0, 1).Draw(t, "group")
		lines = append(lines, l)
	}
	return lines
}

func abs(v int64) int64 { return max(v, -v) }

// covered is an independent reckoning of what lines along grid edges and diagonals cover: every half
// step of them, by its two ends.
func covered(t interface{ Fatalf(string, ...any) }, lines []contour.Line) map[string]map[geom.Segment]int {
	const half = step / 2
	out := map[string]map[geom.Segment]int{}
	for _, l := range lines {
		if out[l.Op] == nil {
			out[l.Op] = map[geom.Segment]int{}
		}
		for i := 1; i < len(l.Points); i++ {
			a, b := l.Points[i-1], l.Points[i]
			d := b.Sub(a)
			n := max(abs(d.X), abs(d.Y)) / half
			if n == 0 {
				continue
			}
			if d.X%half != 0 || d.Y%half != 0 || a.X%half != 0 || a.Y%half != 0 || d.X != 0 && d.Y != 0 && abs(d.X) != abs(d.Y) {
				t.Fatalf("off the grid: %v to %v", a, b)
			}
			for k := range n {
				p := a.Add(geom.Pt(d.X/n*k, d.Y/n*k))
				q := a.Add(geom.Pt(d.X/n*(k+1), d.Y/n*(k+1)))
				if q.X < p.X || q.X == p.X && q.Y < p.Y {
					p, q = q, p
				}
				out[l.Op][geom.Segment{A: p, B: q}]++
			}
		}
	}
	for op, m := range out {
		if len(m) == 0 {
			delete(out, op)
		}
	}
	return out
}

// TestCovered: what Clean leaves covers what was drawn, all of it, and nothing twice; what it says
// it took out is the difference.
func TestCovered(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := drawGrid(t, 6, true, "cut", "mark")
		r, err := contour.Clean(in, contour.Options{})
		if err != nil {
			t.Fatal(err)
		}
		want, got := covered(t, in), covered(t, r.Lines)
		for op := range want {
			if len(want[op]) != len(got[op]) {
				t.Fatalf("%s: %d half steps, want %d\nin  %v\nout %v", op, len(got[op]), len(want[op]), in, r.Lines)
			}
			for s := range want[op] {
				if got[op][s] != 1 {
					t.Fatalf("%s: %v is done %d times\nin  %v\nout %v", op, s, got[op][s], in, r.Lines)
				}
			}
		}
		var drawn, left float64
		for _, l := range in {
			drawn += float64(geom.Length(l.Points))
		}
		for _, l := range r.Lines {
			left += float64(geom.Length(l.Points))
		}
		if math.Abs(drawn-left-float64(r.DoubledUM)) > 2*float64(len(in)+len(r.Lines)) {
			t.Fatalf("%v µm drawn, %v left, %d said to be doubled", drawn, left, r.DoubledUM)
		}
	})
}

// TestWhateverCores: what is found does not depend on how many cores share the work.
func TestWhateverCores(t *testing.T) {
	o := contour.Options{KerfUM: 150, ResolutionUM: 50, BridgeUM: 1_000, SupportUM: 20_000}
	lines := append(tags(10_000), grille(10_000)...)
	both := func(cores int) (contour.Result, contour.Structure) {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cores))
		r, err := contour.Clean(lines, o)
		if err != nil {
			t.Fatal(err)
		}
		s, err := contour.Understand(r.Lines, o)
		if err != nil {
			t.Fatal(err)
		}
		return r, s
	}
	cleaned, understood := both(1)
	for _, cores := range []int{2, 3, 8} {
		if c, u := both(cores); !reflect.DeepEqual(c, cleaned) || !reflect.DeepEqual(u, understood) {
			t.Errorf("%d cores find other than one", cores)
		}
	}
}

// TestCoveredWhateverOrder: order, direction and start of the lines change nothing of what is covered.
func TestCoveredWhateverOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := drawGrid(t, 6, true, "cut", "mark")
		first, err := contour.Clean(in, contour.Options{})
		if err != nil {
			t.Fatal(err)
		}
		other := rapid.Permutation(in).Draw(t, "order")
		for i, l := range other {
			if l.Closed {
				k := rapid.IntRange(0, len(l.Points)-2).Draw(t, "start")
				l.Points = append(slices.Clone(l.Points[k:len(l.Points)-1]), l.Points[:k+1]...)
			}
			if rapid.Bool().Draw(t, "back") {
				l = back(l)
			}
			other[i] = l
		}
		second, err := contour.Clean(other, contour.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(covered(t, first.Lines), covered(t, second.Lines)) {
			t.Fatalf("other cover:\n%v\n%v", first.Lines, second.Lines)
		}
	})
}

// drawAny gives lines between any points, some of them repeated with a small shift.
func drawAny(t *rapid.T) []contour.Line {
	var lines []contour.Line
	for range rapid.IntRange(1, 6).Draw(t, "lines") {
		var xy []int64
		for range 2 * rapid.IntRange(2, 8).Draw(t, "points") {
			xy = append(xy, rapid.Int64Range(0, 5_000).Draw(t, "v"))
		}
		if rapid.Bool().Draw(t, "close") {
			xy = append(xy, xy[0], xy[1])
		}
		l := path(rapid.SampledFrom([]string{"cut", "mark", "engrave", "draw"}).Draw(t, "op"), xy...)
		l.Group = rapid.IntRange(0, 1).Draw(t, "group")
		lines = append(lines, l)
		if rapid.Bool().Draw(t, "again") {
			lines = append(lines, moved(l, rapid.Int64Range(0, 12).Draw(t, "dx"), rapid.Int64Range(0, 12).Draw(t, "dy")))
		}
	}
	return lines
}

func moved(l contour.Line, dx, dy int64) contour.Line {
	l.Points = slices.Clone(l.Points)
	for i := range l.Points {
		l.Points[i] = l.Points[i].Add(geom.Pt(dx, dy))
	}
	return l
}

func TestCleanTwice(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := drawAny(t)
		if rapid.Bool().Draw(t, "on the grid") {
			in = drawGrid(t, 6, true, "cut", "mark")
		}
		checkTwice(t, in)
	})
}

func checkTwice(t interface{ Fatalf(string, ...any) }, in []contour.Line) {
	once, err := contour.Clean(in, contour.Options{})
	if err != nil {
		t.Fatalf("%v", err)
	}
	twice, err := contour.Clean(once.Lines, contour.Options{})
	if err != nil {
		t.Fatalf("%v", err)
	}
	if !reflect.DeepEqual(once.Lines, twice.Lines) {
		t.Fatalf("in    %v\nonce  %v\ntwice %v", in, once.Lines, twice.Lines)
	}
	if len(once.Lines) > 0 && (twice.DoubledUM != 0 || twice.Joined != 0 || twice.Split != 0) {
		t.Fatalf("nothing changed, but %+v", twice)
	}
}

// TestNothingLost: every point of a line drawn lies near a line of its operation that is left, and
// the other way round. Tolerances add up where a stretch is doubled, joined and rounded: 30 µm.
func TestNothingLost(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := drawAny(t)
		r, err := contour.Clean(in, contour.Options{})
		if err != nil {
			t.Fatal(err)
		}
		near := func(from, to []contour.Line, what string) {
			for _, l := range from {
				for i := 1; i < len(l.Points); i++ {
					s := geom.Segment{A: l.Points[i-1], B: l.Points[i]}
					for k := range 51 {
						p := s.At(float64(k) / 50)
						least := math.Inf(1)
						for _, o := range to {
							for j := 1; o.Op == l.Op && j < len(o.Points); j++ {
								_, d := geom.Segment{A: o.Points[j-1], B: o.Points[j]}.Nearest(p)
								least = min(least, d)
							}
						}
						if least > 30 {
							t.Fatalf("%v of %v is %s: %v µm off\nin  %v\nout %v", p, l, what, least, in, r.Lines)
						}
					}
				}
			}
		}
		near(r.Lines, in, "new")
		// A line no larger than the tolerance is a point of others, or none; one that folds back onto itself is
		// that once it is no longer doubled.
		in = slices.DeleteFunc(in, func(l contour.Line) bool {
			box, _ := geom.BoxOf(l.Points...)
			return max(box.Width(), box.Height()) <= 2*10
		})
		near(in, r.Lines, "lost")
	})
}

// TestMoved: the same drawing elsewhere gives the same elsewhere.
func TestMoved(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := drawAny(t)
		dx, dy := rapid.Int64Range(-2_000_000, 2_000_000).Draw(t, "dx"), rapid.Int64Range(-2_000_000, 2_000_000).Draw(t, "dy")
		var other []contour.Line
		for _, l := range in {
			other = append(other, moved(l, dx, dy))
		}
		o := contour.Options{KerfUM: 100, BridgeUM: 500, SupportUM: 2_000}
		a, err := contour.Clean(in, o)
		if err != nil {
			t.Fatal(err)
		}
		b, err := contour.Clean(other, o)
		if err != nil {
			t.Fatal(err)
		}
		for i := range b.Lines {
			b.Lines[i] = moved(b.Lines[i], -dx, -dy)
		}
		if !reflect.DeepEqual(a.Lines, b.Lines) {
			t.Fatalf("here  %v\nthere %v", a.Lines, b.Lines)
		}
		sa, err := contour.Understand(a.Lines, o)
		if err != nil {
			t.Fatal(err)
		}
		sb, err := contour.Understand(b.Lines, o)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(sa, sb) {
			t.Fatalf("not a function: %+v, %+v", sa, sb)
		}
	})
}

// TestPiecesByFlood: the pieces are the regions that filling squares from neighbour to neighbour
// finds where no cut lies between.
func TestPiecesByFlood(t *testing.T) {
	t.Parallel()
	const size = 7
	rapid.Check(t, func(t *rapid.T) {
		in := drawGrid(t, size, false, "cut")
		r, err := contour.Clean(in, contour.Options{})
		if err != nil {
			t.Fatal(err)
		}
		s, err := contour.Understand(r.Lines, contour.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var got []float64
		for _, p := range s.Pieces {
			got = append(got, p.AreaUM2/step/step)
		}
		slices.Sort(got)
		if want := flood(covered(t, in)["cut"], size); !slices.Equal(got, want) {
			t.Fatalf("areas %v, want %v\nin %v\nclean %v", got, want, in, r.Lines)
		}
		for i := range s.Parents {
			k := i
			for range len(s.Parents) + 1 {
				if k >= 0 {
					k = s.Parents[k]
				}
			}
			if k >= 0 {
				t.Fatalf("parents go round: %v", s.Parents)
			}
		}
	})
}

// flood gives the areas in squares of the regions that walls enclose, sorted. The squares reach one
// past the walls on every side.
func flood(walls map[geom.Segment]int, size int64) []float64 {
	seen := map[geom.Point]bool{}
	var areas []float64
	for x := int64(-1); x <= size; x++ {
		for y := int64(-1); y <= size; y++ {
			if seen[geom.Pt(x, y)] {
				continue
			}
			seen[geom.Pt(x, y)] = true
			queue := []geom.Point{geom.Pt(x, y)}
			outside := false
			area := 0.0
			for len(queue) > 0 {
				p := queue[0]
				queue = queue[1:]
				area++
				outside = outside || p.X < 0 || p.Y < 0
				for _, n := range []struct {
					to   geom.Point
					a, b geom.Point
				}{
					{p.Add(geom.Pt(1, 0)), geom.Pt(p.X+1, p.Y), geom.Pt(0, 1)},
					{p.Add(geom.Pt(-1, 0)), p, geom.Pt(0, 1)},
					{p.Add(geom.Pt(0, 1)), geom.Pt(p.X, p.Y+1), geom.Pt(1, 0)},
					{p.Add(geom.Pt(0, -1)), p, geom.Pt(1, 0)},
				} {
					from := geom.Pt(n.a.X*step, n.a.Y*step)
					wall := geom.Segment{A: from, B: from.Add(geom.Pt(n.b.X*step/2, n.b.Y*step/2))}
					if n.to.X < -1 || n.to.Y < -1 || n.to.X > size || n.to.Y > size || seen[n.to] || walls[wall] > 0 {
						continue
					}
					seen[n.to] = true
					queue = append(queue, n.to)
				}
			}
			if !outside {
				areas = append(areas, area)
			}
		}
	}
	slices.Sort(areas)
	return areas
}

// FuzzClean: whatever the lines, Clean and Understand end, and clean lines stay as they are.
func FuzzClean(f *testing.F) {
	f.Add([]byte{0, 0, 0, 9, 0, 9, 9, 0, 9, 0, 0, 255, 1, 0, 0, 9, 0}, uint8(100))
	f.Add([]byte{0, 0, 0, 9, 9, 9, 0, 0, 9, 0, 0}, uint8(1))
	f.Fuzz(func(t *testing.T, data []byte, scale uint8) {
		var lines []contour.Line
		for _, raw := range splitAt(data[:min(len(data), 200)], 255) {
			if len(raw) < 5 {
				continue
			}
			l := contour.Line{Op: []string{"cut", "mark", "cut", "engrave"}[raw[0]%4], Group: int(raw[0] / 128)}
			for i := 1; i+1 < len(raw); i += 2 {
				l.Points = append(l.Points, geom.Pt(int64(raw[i])*int64(scale), int64(raw[i+1])*int64(scale)))
			}
			l.Closed = l.Points[0] == l.Points[len(l.Points)-1]
			lines = append(lines, l)
		}
		checkTwice(t, lines)
		r, _ := contour.Clean(lines, contour.Options{})
		if _, err := contour.Understand(r.Lines, contour.Options{KerfUM: 100, ResolutionUM: 50, BridgeUM: 300, SupportUM: 5_000}); err != nil {
			t.Fatal(err)
		}
	})
}

func splitAt(data []byte, mark byte) [][]byte {
	var out [][]byte
	from := 0
	for i, b := range data {
		if b == mark {
			out = append(out, data[from:i])
			from = i + 1
		}
	}
	return append(out, data[from:])
}
