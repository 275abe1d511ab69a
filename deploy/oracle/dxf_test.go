package oracle_test

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
)

// dxfEntity is one entity as dxf.mjs prints it, in drawing units with y up.
type dxfEntity struct {
	Kind   string
	Layer  string
	Points [][2]float64
}

type dxfAnswer struct {
	Files []struct {
		Entities []dxfEntity
		Listed   int
		Error    string
	}
	Colours []int
}

// dxfDifferences are the files where the two readers may differ, and why. Anything else is a fault.
var dxfDifferences = map[string]map[string]string{
	"multi_insert_with_attribs.dxf": {
		"ATTRIB": "dxf-parser passes the ATTRIBs behind an INSERT by; ours names them",
	},
	"uncommon.dxf": {
		"ATTRIB":                 "dxf-parser passes the ATTRIBs behind an INSERT by; ours names them",
		"LARGE_RADIAL_DIMENSION": "not known to dxf-parser",
		"ARC_DIMENSION":          "not known to dxf-parser",
		"MULTILEADER":            "not known to dxf-parser",
		"RAY":                    "not known to dxf-parser",
		"XLINE":                  "not known to dxf-parser",
		"MESH":                   "not known to dxf-parser",
		"3DSOLID":                "not known to dxf-parser",
		"in paper space":         "the VIEWPORTs, not known to dxf-parser",
	},
}

// dxfUndrawn are kinds that dxf-parser gives points and ours names without drawing them.
var dxfUndrawn = map[string]map[string]string{
	"circle_radius_le_0.dxf": {"CIRCLE": "a radius of 0 or below draws nothing"},
}

// escaped is the format's way to write a character by its number; dxf-parser leaves it in names.
var escaped = regexp.MustCompile(`\\U\+([0-9A-F]{4})`)

func unescape(name string) string {
	return escaped.ReplaceAllStringFunc(name, func(s string) string {
		v, _ := strconv.ParseUint(s[3:], 16, 16)
		return string(rune(v))
	})
}

// TestDXF_AgainstDXFParser holds every file of the open collection that dxf-parser 1.1.2 (npm) reads
// against it: how many entities of which kind, their layers in their order, and their points within
// 1e-6 drawing units. The page's place is free, so it is taken from the first point.
func TestDXF_AgainstDXFParser(t *testing.T) {
	folder := dataFolder(t, "dxf")
	var files []string
	for _, pattern := range []string{"*.dxf", "*.DXF"} {
		found, err := filepath.Glob(filepath.Join(folder, pattern))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, found...)
	}
	if len(files) < 19 {
		t.Fatalf("%d files in %s, want 19", len(files), folder)
	}
	var theirs dxfAnswer
	node(t, "dxf.mjs", files, &theirs)
	compared := 0
	t.Logf("%-32s %6s %6s %6s %6s  %s", "file", "theirs", "shapes", "named", "points", "difference")
	for i, file := range files {
		name, read := filepath.Base(file), theirs.Files[i]
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		ours, err := dxf.Read(data, dxf.Choices{UnitMM: 1}, drawing.Limits{})
		if read.Error != "" {
			outcome := fmt.Sprint(err)
			if err == nil {
				outcome = fmt.Sprintf("%d shapes", len(ours.Shapes))
			}
			t.Logf("%-32s %6s dxf-parser: %q; ours: %s", name, "-", read.Error, outcome)
			continue
		}
		compared++
		if err != nil {
			t.Errorf("%s: dxf-parser reads it, ours: %v", name, err)
			continue
		}
		counts, points := compareDXF(t, name, read.Entities, ours)
		t.Logf("%-32s %6d %6d %6d %6d  %s", name, len(read.Entities), len(ours.Shapes), counts, points,
			explained(name))
	}
	if compared < 17 {
		t.Errorf("dxf-parser reads %d files, and read 17 when this was written", compared)
	}
}

// TestDXF_Unread holds the two files that dxf-parser does not read against what their bytes say: the damaged
// one, in 397 pieces without an end mark, by counting its lines of text; the binary one by its refusal.
func TestDXF_Unread(t *testing.T) {
	folder := dataFolder(t, "dxf")
	data, err := os.ReadFile(filepath.Join(folder, "recover01.dxf"))
	if err != nil {
		t.Fatal(err)
	}
	d, err := dxf.Read(data, dxf.Choices{UnitMM: 1}, drawing.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	lines, texts := len(d.Shapes), 0
	for _, n := range d.Notices {
		switch {
		case strings.Contains(n.What, "LINE without size"):
			lines += n.Count
		case strings.Contains(n.What, "TEXT is not read"):
			texts += n.Count
		}
	}
	if want := strings.Count(string(data), "  0\nLINE\n"); lines != want || want != 1441 {
		t.Errorf("%d lines, want %d", lines, want)
	}
	if want := strings.Count(string(data), "  0\nTEXT\n"); texts != want || want != 63 {
		t.Errorf("%d texts, want %d", texts, want)
	}
	if data, err = os.ReadFile(filepath.Join(folder, "bin_dxf_r2000.dxf")); err != nil {
		t.Fatal(err)
	}
	if _, err = dxf.Read(data, dxf.Choices{UnitMM: 1}, drawing.Limits{}); err == nil || !strings.Contains(err.Error(), "binary DXF") {
		t.Errorf("binary: %v", err)
	}
}

// explained lists a file's differences with their reasons.
func explained(name string) string {
	var out []string
	for _, known := range []map[string]string{dxfDifferences[name], dxfUndrawn[name]} {
		for _, kind := range slices.Sorted(maps.Keys(known)) {
			out = append(out, kind+": "+known[kind])
		}
	}
	return strings.Join(out, "; ")
}

// compareDXF gives how many elements ours names without drawing them, and how many points agree.
func compareDXF(t *testing.T, name string, theirs []dxfEntity, ours *drawing.Drawing) (named, points int) {
	t.Helper()
	difference := map[string]int{} // kind → theirs minus ours
	var drawn []dxfEntity
	for _, e := range theirs {
		difference[strings.TrimSuffix(e.Kind, " unread")]++
		if _, undrawn := dxfUndrawn[name][e.Kind]; len(e.Points) > 0 && !undrawn {
			drawn = append(drawn, e)
		}
	}
	for _, s := range ours.Shapes {
		difference[kindOf(s.Place)]--
	}
	for _, n := range ours.Notices {
		switch {
		case strings.Contains(n.What, "is not read"), strings.Contains(n.What, "without size"):
			difference[kindOf(n.Place)] -= n.Count
			named += n.Count
		case strings.Contains(n.What, "in paper space"):
			difference["in paper space"] -= n.Count
			named += n.Count
		}
	}
	for kind, reason := range dxfDifferences[name] {
		if difference[kind] == 0 {
			t.Errorf("%s: %s does not differ any more (%s)", name, kind, reason)
		}
		delete(difference, kind)
	}
	for kind, n := range difference {
		if n != 0 {
			t.Errorf("%s: dxf-parser has %d more of %s than ours", name, n, kind)
		}
	}
	if len(drawn) != len(ours.Shapes) {
		t.Errorf("%s: dxf-parser has %d entities with points, ours %d shapes", name, len(drawn), len(ours.Shapes))
		return named, 0
	}
	if len(drawn) == 0 {
		return named, 0
	}
	first := ours.Shapes[0].Paths[0].Start
	shift := [2]float64{drawn[0].Points[0][0] - first.X, drawn[0].Points[0][1] + first.Y}
	faults := 0
	for i, e := range drawn {
		s := ours.Shapes[i]
		if unescape(e.Layer) != s.Layer && faults < 5 {
			t.Errorf("%s: %s lies on the layer %q for dxf-parser and on %q for ours", name, s.Place, e.Layer, s.Layer)
			faults++
		}
		for _, p := range e.Points {
			points++
			at := drawing.Vec{X: p[0] - shift[0], Y: shift[1] - p[1]}
			if d := nearestCorner(s, at); !(d < 1e-6) && faults < 5 {
				t.Errorf("%s: %s has a point at %v for dxf-parser that ours misses by %g", name, s.Place, p, d)
				faults++
			}
		}
	}
	return named, points
}

// kindOf is the first word of a place.
func kindOf(place string) string {
	kind, _, _ := strings.Cut(place, ",")
	return kind
}

// nearestCorner is the distance from p to the nearest end of a segment.
func nearestCorner(s drawing.Shape, p drawing.Vec) float64 {
	best := math.Inf(1)
	for _, path := range s.Paths {
		best = min(best, math.Hypot(path.Start.X-p.X, path.Start.Y-p.Y))
		for _, seg := range path.Segments {
			best = min(best, math.Hypot(seg.To.X-p.X, seg.To.Y-p.Y))
		}
	}
	return best
}

// TestDXF_IndexColours holds the numbered colours against dxf-parser's table, read by way of lines of
// every colour. Number 7 is the foreground: white there, black on our page. Fractions are cut off in
// floating point there, so a channel may be one step darker.
func TestDXF_IndexColours(t *testing.T) {
	var theirs dxfAnswer
	node(t, "dxf.mjs", []string{}, &theirs)
	var b strings.Builder
	b.WriteString("0\nSECTION\n2\nENTITIES\n")
	for i := 1; i <= 255; i++ {
		fmt.Fprintf(&b, "0\nLINE\n62\n%d\n10\n0\n20\n0\n11\n1\n21\n%d\n", i, i)
	}
	b.WriteString("0\nENDSEC\n0\nEOF\n")
	d, err := dxf.Read([]byte(b.String()), dxf.Choices{UnitMM: 1}, drawing.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Shapes) != 255 || len(theirs.Colours) != 256 {
		t.Fatalf("%d shapes, %d colours", len(d.Shapes), len(theirs.Colours))
	}
	for i := 1; i <= 255; i++ {
		if i == 7 {
			continue
		}
		got, err := strconv.ParseInt(strings.TrimPrefix(d.Shapes[i-1].Stroke, "#"), 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		for shift := 0; shift <= 16; shift += 8 {
			ours, other := int(got)>>shift&255, theirs.Colours[i]>>shift&255
			if ours-other > 1 || other-ours > 1 {
				t.Errorf("colour %d: ours %s, theirs #%06x", i, d.Shapes[i-1].Stroke, theirs.Colours[i])
			}
		}
	}
}
