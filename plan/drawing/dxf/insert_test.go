package dxf_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
)

func block(name string, x, y float64, parts ...string) string {
	return entity("BLOCK", 2, name, 70, 0, 10, x, 20, y) + strings.Join(parts, "") + entity("ENDBLK")
}

// matrix is a row-major 4×4 matrix: the algebra that the reader's own affine maps are held against.
type matrix [4][4]float64

func (m matrix) times(n matrix) (out matrix) {
	for i := range 4 {
		for j := range 4 {
			for k := range 4 {
				out[i][j] += m[i][k] * n[k][j]
			}
		}
	}
	return out
}

func (m matrix) at(x, y float64) (float64, float64) {
	return m[0][0]*x + m[0][1]*y + m[0][3], m[1][0]*x + m[1][1]*y + m[1][3]
}

func shift(x, y float64) matrix {
	return matrix{{1, 0, 0, x}, {0, 1, 0, y}, {0, 0, 1, 0}, {0, 0, 0, 1}}
}

func stretch(x, y float64) matrix {
	return matrix{{x, 0, 0, 0}, {0, y, 0, 0}, {0, 0, 1, 0}, {0, 0, 0, 1}}
}

func spin(deg float64) matrix {
	s, c := math.Sincos(deg * math.Pi / 180)
	return matrix{{c, -s, 0, 0}, {s, c, 0, 0}, {0, 0, 1, 0}, {0, 0, 0, 1}}
}

// TestNestedMirroredInserts: two nested inserts, each with base point, unequal scales, rotation, mirrored
// extrusion and an array, against products of 4×4 matrices. For the normal (0, 0, −1) the arbitrary axis
// algorithm gives x = (−1, 0, 0), y = (0, 1, 0): a mirror of x.
func TestNestedMirroredInserts(t *testing.T) {
	t.Parallel()
	mirror := stretch(-1, 1)
	blocks := section("BLOCKS",
		block("leaf", 3, -2, entity("LINE", 8, "0", 10, 5, 20, 1, 11, 9, 21, 4)),
		block("branch", -1, 7, entity("INSERT", 8, "0", 2, "LEAF", 10, 20, 20, 30, 41, 2, 42, -0.5, 50, 25, 210, 0, 220, 0, 230, -1,
			70, 2, 71, 3, 44, 11, 45, -6)))
	d := read(t, sheet(blocks, section("ENTITIES",
		entity("LINE", 10, -500, 20, 500, 11, -500, 21, -500), // gives the page's corner
		entity("INSERT", 2, "branch", 8, "bed signs", 10, 40, 20, -10, 41, -1.5, 42, 0.75, 50, -70, 210, 0, 220, 0, 230, -1))))
	if len(d.Shapes) != 7 {
		t.Fatalf("%d shapes, notices %v", len(d.Shapes), d.Notices)
	}
	outer := mirror.times(shift(40, -10)).times(spin(-70)).times(stretch(-1.5, 0.75)).times(shift(1, -7))
	n := 1
	for row := range 3 {
		for column := range 2 {
			inner := mirror.times(shift(20, 30)).times(spin(25)).times(shift(float64(column)*11, float64(row)*-6)).
				times(stretch(2, -0.5)).times(shift(-3, 2))
			all := outer.times(inner)
			for which, want := range [2][2]float64{{5, 1}, {9, 4}} {
				p := d.Shapes[n].Paths[0]
				got := [2]drawing.Vec{p.Start, p.Segments[0].To}[which]
				x, y := all.at(want[0], want[1])
				near(t, fmt.Sprintf("row %d column %d end %d x", row, column, which), got.X, x+500, 1e-9)
				near(t, fmt.Sprintf("row %d column %d end %d y", row, column, which), got.Y, 500-y, 1e-9)
			}
			if d.Shapes[n].Layer != "bed signs" {
				t.Errorf("layer %q: what lies on layer 0 goes to the insert's", d.Shapes[n].Layer)
			}
			n++
		}
	}
}

// TestTiltedCircle: a circle that faces (1, 0, 1) is seen from above as an ellipse with the axes r and
// r·cos 45°, and its centre follows the arbitrary axis algorithm: x = (0, 1, 0), y = (−1, 0, 1)/√2.
func TestTiltedCircle(t *testing.T) {
	t.Parallel()
	d := read(t, entities(entity("LINE", 10, -100, 20, 100, 11, -100, 21, 99),
		entity("CIRCLE", 10, 4, 20, 6, 30, 2, 40, 10, 210, 1, 220, 0, 230, 1)))
	noticed(t, d, "CIRCLE does not lie flat")
	_, area := measure(d.Shapes[1].Paths[0])
	near(t, "area", area, 100*math.Pi*math.Sqrt2/2, 1e-4)
	// Centre in the drawing: 4·x + 6·y + 2·n.
	x, y := 6*-math.Sqrt2/2+2*math.Sqrt2/2, 4.0
	near(t, "right edge", d.WidthMM-100, x+10*math.Sqrt2/2, 1e-5)
	near(t, "lower edge", d.HeightMM-100, -(y - 10), 200) // the page ends at the line or the circle
	low := math.Inf(1)
	for _, s := range d.Shapes[1].Paths[0].Segments {
		low = min(low, 100-s.To.Y)
	}
	near(t, "lowest point", low, y-10, 1e-6)
}

// TestEmptyAndMissingBlocks are named, or nothing; a block that is never inserted draws nothing.
func TestEmptyAndMissingBlocks(t *testing.T) {
	t.Parallel()
	d := read(t, sheet(
		section("BLOCKS", block("never", 0, 0, entity("LINE", 10, 0, 20, 0, 11, 900, 21, 900)), block("", 0, 0), block("", 0, 0), block("empty", 0, 0),
			entity("BLOCK", 2, "elsewhere", 70, 4, 1, "other.dxf")+entity("ENDBLK")),
		section("ENTITIES", entity("LINE", 10, 0, 20, 0, 11, 1, 21, 1), entity("INSERT", 2, "empty"), entity("INSERT", 2, "gone"), entity("INSERT", 2, "elsewhere"))))
	noticed(t, d, `"gone", which does not exist`)
	noticed(t, d, `"elsewhere" lies in another file`)
	if len(d.Shapes) != 1 || d.WidthMM != 1 {
		t.Errorf("%d shapes, %v wide", len(d.Shapes), d.WidthMM)
	}
}

// TestInsertsHaveLimits: circles, fan-out by arrays (of empty blocks as well), and depth.
func TestInsertsHaveLimits(t *testing.T) {
	t.Parallel()
	line := entity("LINE", 10, 0, 20, 0, 11, 1, 21, 1)
	use := func(name string, more ...any) string { return entity("INSERT", append([]any{2, name}, more...)...) }
	var chain []string
	for i := range 40 {
		chain = append(chain, block(fmt.Sprint("n", i), 0, 0, use(fmt.Sprint("n", i+1)), use(fmt.Sprint("n", i+1))))
	}
	chain = append(chain, block("n40", 0, 0))
	for name, tc := range map[string]struct {
		file   string
		limits drawing.Limits
		what   string
	}{
		"itself":         {sheet(section("BLOCKS", block("a", 0, 0, use("A"))), section("ENTITIES", use("a"))), drawing.Limits{}, "holds itself"},
		"by way of two":  {sheet(section("BLOCKS", block("a", 0, 0, use("b")), block("b", 0, 0, use("a"))), section("ENTITIES", use("a"))), drawing.Limits{}, "holds itself"},
		"array":          {sheet(section("BLOCKS", block("a", 0, 0, line)), section("ENTITIES", use("a", 70, 30000, 71, 30000, 44, 1, 45, 1))), drawing.Limits{}, "multiply"},
		"array of empty": {sheet(section("BLOCKS", block("a", 0, 0)), section("ENTITIES", use("a", 70, 30000, 71, 30000))), drawing.Limits{}, "multiply"},
		"doubling":       {sheet(section("BLOCKS", chain...), section("ENTITIES", use("n0"))), drawing.Limits{}, "multiply"},
		"depth":          {sheet(section("BLOCKS", chain...), section("ENTITIES", use("n0"))), drawing.Limits{Depth: 39}, "nested too deeply"},
	} {
		if got := refused(t, tc.file, dxf.Choices{}, tc.limits); !strings.Contains(got.What, tc.what) || got.Place == "" {
			t.Errorf("%s: %v (%s)", name, got, got.Place)
		}
	}
	// A circle that nothing draws does no harm.
	d := read(t, sheet(section("BLOCKS", block("a", 0, 0, use("a"))), section("ENTITIES", line)))
	if len(d.Shapes) != 1 {
		t.Errorf("%d shapes", len(d.Shapes))
	}
}

// TestClipsAreToldAtTheInsert: a clip (SPATIAL_FILTER) belongs to the insert whose extension dictionary holds its
// dictionary, by the owners (group 330) that objects name outside of applications' notes; source: the format's
// reference, SPATIAL_FILTER and common group codes of objects. It is told where the insert is drawn, once for each.
func TestClipsAreToldAtTheInsert(t *testing.T) {
	t.Parallel()
	square := block("S", 0, 0, entity("LINE", 8, "0", 10, 0, 20, 0, 11, 9, 21, 0))
	dictionary := func(handle, owner string) string {
		return entity("DICTIONARY", 5, handle, 102, "{ACAD_REACTORS", 330, "9", 102, "}", 330, owner, 3, "SPATIAL", 360, "F")
	}
	insert := func(handle string, x int) string {
		return entity("INSERT", 5, handle, 102, "{ACAD_XDICTIONARY", 360, "D"+handle, 102, "}", 2, "S", 8, "0", 10, x, 20, 0)
	}
	clip := func(handle string) string {
		return dictionary("D"+handle, handle) + dictionary("E"+handle, "D"+handle) + entity("SPATIAL_FILTER", 5, "F"+handle, 330, "E"+handle, 70, 2)
	}
	d := read(t, sheet(section("BLOCKS", square),
		section("ENTITIES", insert("1A", 0), insert("2A", 20), insert("3A", 40), insert("4A", 60)),
		section("OBJECTS", clip("2A"), clip("4A"))))
	n := noticed(t, d, "clip is not applied")
	if n.Count != 2 || !strings.HasPrefix(n.Place, "INSERT, handle 2A, line ") || len(d.Shapes) != 4 {
		t.Errorf("told %d times, first at %q; %d shapes", n.Count, n.Place, len(d.Shapes))
	}
	// Owners that go round name no insert.
	d = read(t, sheet(section("ENTITIES", entity("LINE", 8, "0", 10, 0, 20, 0, 11, 9, 21, 0)),
		section("OBJECTS", dictionary("1", "2"), dictionary("2", "1"), entity("SPATIAL_FILTER", 5, "3", 330, "1"))))
	if n := noticed(t, d, "clip is not applied"); n.Count != 1 || !strings.HasPrefix(n.Place, "SPATIAL_FILTER, line ") {
		t.Errorf("%+v", n)
	}
}
