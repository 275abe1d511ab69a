package contour_test

import (
	"reflect"
	"slices"
	"testing"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
)

// path is a polyline through x, y, x, y, … in µm; it is closed when it ends where it began.
func path(op string, xy ...int64) contour.Line {
	l := contour.Line{Op: op}
	for i := 0; i < len(xy); i += 2 {
		l.Points = append(l.Points, geom.Pt(xy[i], xy[i+1]))
	}
	l.Closed = len(l.Points) > 3 && l.Points[0] == l.Points[len(l.Points)-1]
	return l
}

func cut(xy ...int64) contour.Line { return path("cut", xy...) }

func rect(x0, y0, x1, y1 int64) contour.Line { return cut(x0, y0, x1, y0, x1, y1, x0, y1, x0, y0) }

func group(g int, l contour.Line) contour.Line {
	l.Group = g
	return l
}

func back(l contour.Line) contour.Line {
	l.Points = slices.Clone(l.Points)
	slices.Reverse(l.Points)
	return l
}

func clean(t testing.TB, o contour.Options, lines ...contour.Line) contour.Result {
	t.Helper()
	r, err := contour.Clean(lines, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestClean: what comes out was worked out by hand.
func TestClean(t *testing.T) {
	t.Parallel()
	square := rect(0, 0, 10_000, 10_000)
	for _, tc := range []struct {
		name    string
		in      []contour.Line
		want    []contour.Line
		doubled int64
	}{
		{"nothing", nil, nil, 0},
		{"no length", []contour.Line{cut(5, 5, 5, 5)}, nil, 0},
		{"a line as it is", []contour.Line{cut(0, 0, 900, 0)}, []contour.Line{cut(0, 0, 900, 0)}, 0},
		{"the same twice", []contour.Line{square, back(square)}, []contour.Line{square}, 40_000},
		{"the same under two operations", []contour.Line{square, path("mark", 0, 0, 10_000, 0)},
			[]contour.Line{square, path("mark", 0, 0, 10_000, 0)}, 0},
		{"the same in two groups", []contour.Line{square, group(1, cut(0, 0, 10_000, 0))}, []contour.Line{square}, 10_000},
		{"closed before open", []contour.Line{cut(0, 0, 10_000, 0), square}, []contour.Line{square}, 10_000},
		{"two squares share an edge", []contour.Line{square, rect(10_000, 0, 20_000, 10_000)},
			[]contour.Line{square, cut(10_000, 0, 20_000, 0, 20_000, 10_000, 10_000, 10_000)}, 10_000},
		{"part of an edge", []contour.Line{square, cut(4_000, 0, 4_000, 0, 14_000, 0)}, []contour.Line{square, cut(10_000, 0, 14_000, 0)}, 6_000},
		{"the middle of a line", []contour.Line{group(1, cut(3_000, 0, 5_000, 0)), cut(0, 0, 10_000, 0)},
			[]contour.Line{group(1, cut(3_000, 0, 5_000, 0)), cut(0, 0, 3_000, 0), cut(5_000, 0, 10_000, 0)}, 2_000},
		{"5 µm beside", []contour.Line{cut(0, 0, 10_000, 0), group(1, cut(0, 5, 10_000, 5))}, []contour.Line{cut(0, 0, 10_000, 0)}, 10_000},
		{"11 µm beside", []contour.Line{cut(0, 0, 10_000, 0), group(1, cut(0, 11, 10_000, 11))},
			[]contour.Line{cut(0, 0, 10_000, 0), group(1, cut(0, 11, 10_000, 11))}, 0},
		{"there and back", []contour.Line{cut(0, 0, 10_000, 0, 0, 0)}, []contour.Line{cut(0, 0, 10_000, 0)}, 10_000},
		{"lines that cross", []contour.Line{cut(0, 0, 10_000, 10_000), cut(0, 10_000, 10_000, 0)},
			[]contour.Line{cut(0, 0, 10_000, 10_000), cut(0, 10_000, 10_000, 0)}, 0},
		{"four sides", []contour.Line{cut(0, 0, 9_000, 0), cut(9_000, 9_000, 9_000, 4), cut(9_000, 9_003, 0, 9_000), cut(0, 0, 0, 9_000)},
			[]contour.Line{cut(0, 0, 9_000, 0, 9_000, 9_000, 0, 9_000, 0, 0)}, 0},
		{"ends 11 µm apart", []contour.Line{cut(0, 0, 9_000, 0), cut(9_011, 0, 9_500, 700)},
			[]contour.Line{cut(0, 0, 9_000, 0), cut(9_011, 0, 9_500, 700)}, 0},
		{"ends of two groups", []contour.Line{cut(0, 0, 9_000, 0), group(1, cut(9_000, 0, 9_500, 700))},
			[]contour.Line{cut(0, 0, 9_000, 0), group(1, cut(9_000, 0, 9_500, 700))}, 0},
		{"straight on first", []contour.Line{cut(0, 0, 5_000, 0), cut(5_000, 0, 5_000, 3_000), cut(5_000, 0, 9_000, 0)},
			[]contour.Line{cut(0, 0, 5_000, 0, 9_000, 0), cut(5_000, 0, 5_000, 3_000)}, 0},
		{"figure eight", []contour.Line{cut(0, 0, 10_000, 10_000, 10_000, 0, 0, 10_000, 0, 0)},
			[]contour.Line{cut(5_000, 5_000, 10_000, 10_000, 10_000, 0, 5_000, 5_000), cut(0, 0, 5_000, 5_000, 0, 10_000, 0, 0)}, 0},
		{"ends that overshoot", []contour.Line{cut(0, -1_000, 0, 9_000, 9_000, 9_000, 9_000, 0, -1_000, 0)},
			[]contour.Line{cut(0, 0, 0, 9_000, 9_000, 9_000, 9_000, 0, 0, 0), cut(0, -1_000, 0, 0, -1_000, 0)}, 0},
		{"an outline with a feeler", []contour.Line{cut(0, 0, 9_000, 0, 9_000, 9_000, 20_000, 9_000, 9_000, 9_000, 0, 9_000, 0, 0)},
			[]contour.Line{cut(9_000, 9_000, 0, 9_000, 0, 0, 9_000, 0, 9_000, 9_000), cut(9_000, 9_000, 20_000, 9_000)}, 11_000},
		{"engraved areas stay closed", []contour.Line{path("engrave", 0, 0, 900, 0, 900, 900, 0, 0), path("engrave", 0, 0, 900, 0, 0, 900, 0, 0)},
			[]contour.Line{path("engrave", 0, 0, 900, 0, 900, 900, 0, 0), path("engrave", 0, 0, 900, 0, 0, 900, 0, 0)}, 0},
		{"an engraved area twice", []contour.Line{path("engrave", 0, 0, 900, 0, 900, 900, 0, 0), back(path("engrave", 900, 0, 900, 900, 0, 0, 900, 0))},
			[]contour.Line{path("engrave", 0, 0, 900, 0, 900, 900, 0, 0)}, 3_073}, // 900 + 900 + 900·√2
	} {
		r := clean(t, contour.Options{}, tc.in...)
		if len(r.Lines) == 0 && len(tc.want) == 0 {
			continue
		}
		if !reflect.DeepEqual(r.Lines, tc.want) {
			t.Errorf("%s:\n got %v\nwant %v", tc.name, r.Lines, tc.want)
		}
		if r.DoubledUM != tc.doubled {
			t.Errorf("%s: %d µm doubled, want %d", tc.name, r.DoubledUM, tc.doubled)
		}
	}
}

// TestDoubledPlaces: every stretch taken out is counted, the longest is named first.
func TestDoubledPlaces(t *testing.T) {
	t.Parallel()
	r := clean(t, contour.Options{}, cut(0, 0, 50_000, 0), group(1, cut(1_000, 0, 3_000, 0)), group(1, cut(10_000, 0, 30_000, 0)))
	want := []contour.Overlap{
		{Op: "cut", From: geom.Pt(10_000, 0), To: geom.Pt(30_000, 0), UM: 20_000},
		{Op: "cut", From: geom.Pt(1_000, 0), To: geom.Pt(3_000, 0), UM: 2_000},
	}
	if r.Overlaps != 2 || !reflect.DeepEqual(r.Doubled, want) || r.DoubledUM != 22_000 {
		t.Errorf("got %+v", r)
	}
}

func TestCleanRefuses(t *testing.T) {
	t.Parallel()
	if _, err := contour.Clean([]contour.Line{cut(0, 0, contour.MostUM+1, 0)}, contour.Options{}); err != contour.ErrFar {
		t.Errorf("got %v", err)
	}
	if _, err := contour.Understand([]contour.Line{cut(0, -contour.MostUM-1, 0, 0)}, contour.Options{}); err != contour.ErrFar {
		t.Errorf("got %v", err)
	}
}

// TestTangled: three thousand lines across three thousand others meet nine million times, which is
// refused before memory is gone.
func TestTangled(t *testing.T) {
	t.Parallel()
	var lines []contour.Line
	for i := range int64(3_000) {
		lines = append(lines, cut(0, i*3_000, contour.MostUM, i*3_000), cut(i*3_000, 0, i*3_000, contour.MostUM))
	}
	if _, err := contour.Understand(lines, contour.Options{}); err != contour.ErrTangled {
		t.Errorf("got %v", err)
	}
}
