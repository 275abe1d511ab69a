package dxf_test

import (
	"math"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
)

const aLine = "  0\nLINE\n  8\nplant labels\n 10\n0\n 20\n0\n 11\n30\n 21\n40\n"

// TestFormsOfTheFile: the same line by every way in which writers lay the groups out.
func TestFormsOfTheFile(t *testing.T) {
	t.Parallel()
	plain := entities(aLine)
	for name, file := range map[string]string{
		"plain":                plain,
		"carriage returns":     strings.ReplaceAll(plain, "\n", "\r\n"),
		"old Macintosh":        strings.ReplaceAll(plain, "\n", "\r"),
		"padded":               strings.ReplaceAll(plain, "\n", "   \n"),
		"byte order mark":      "\ufeff" + plain,
		"comments":             "999\nmade by hand\n" + strings.ReplaceAll(plain, " 10\n0\n", "999\nhere it begins\n 10\n0\n"),
		"behind the end":       plain + "whatever\nfollows",
		"no line's end":        strings.TrimSuffix(plain, "\n"),
		"unknown section":      sheet(section("SURPRISE", entity("LINE", 10, 5, 20, 5, 11, 900, 21, 900)), section("ENTITIES", aLine)),
		"entities first":       section("ENTITIES", aLine) + sheet(),
		"two entity sections":  sheet(section("ENTITIES"), section("ENTITIES", aLine)),
		"points as integers":   strings.ReplaceAll(plain, "\n30\n", "\n3.0E+01\n"),
		"notes, other objects": entities(aLine + "102\n{NOTES\n 10\n77\n102\n}\n101\nEmbedded Object\n 10\n88\n1001\nSOME\n1010\n99\n"),
	} {
		d, err := dxf.Read([]byte(file), dxf.Choices{}, drawing.Limits{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(d.Shapes) != 1 || len(d.Notices) != 0 || d.WidthMM != 30 || d.HeightMM != 40 || d.Shapes[0].Layer != "plant labels" {
			t.Errorf("%s: %+v", name, d)
			continue
		}
		// y grows upward in the file and downward on the page.
		if p := d.Shapes[0].Paths[0]; p.Start != (drawing.Vec{X: 0, Y: 40}) || p.Segments[0].To != (drawing.Vec{X: 30, Y: 0}) {
			t.Errorf("%s: from %v to %v", name, p.Start, p.Segments[0].To)
		}
	}
}

// TestDamaged: what is whole before the damage is read, or the refusal names line and reason.
func TestDamaged(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct{ file, what, place string }{
		"word for a code":   {entities(aLine, "oops\n1\n"), "group code", "line "},
		"word for a number": {entities(strings.Replace(aLine, "\n30\n", "\nwide\n", 1)), `group 11 must be a finite number and is "wide"`, "line 28"},
		"infinite":          {entities(strings.Replace(aLine, "\n30\n", "\n1e999\n", 1)), "finite", "line 28"},
		"inf":               {entities(strings.Replace(aLine, "\n30\n", "\ninf\n", 1)), "finite", "line 28"},
		"nan":               {entities(strings.Replace(aLine, "\n30\n", "\nNaN\n", 1)), "finite", "line 28"},
		"hexadecimal":       {entities(strings.Replace(aLine, "\n30\n", "\n0x1p4\n", 1)), "finite", "line 28"},
		"too far together":  {entities(entity("CIRCLE", 10, "1.7e308", 20, 0, 40, "1.7e308")), "infinite or not a number", "CIRCLE, line"},
	} {
		got := refused(t, tc.file, dxf.Choices{}, drawing.Limits{})
		if !strings.Contains(got.What, tc.what) || !strings.Contains(got.Place, tc.place) {
			t.Errorf("%s: %s (%s)", name, got.What, got.Place)
		}
	}
	cut := entities(aLine, strings.Replace(aLine, "\n30\n", "\n300\n", 1))
	cut = cut[:strings.LastIndex(cut, " 21")+5] // inside the last number of the second line
	d := read(t, cut)
	noticed(t, d, "without its end mark")
	noticed(t, d, "cut off")
	if len(d.Shapes) != 1 || d.WidthMM != 30 {
		t.Errorf("cut off: %d shapes, %v wide", len(d.Shapes), d.WidthMM)
	}
	open := entities(entity("POLYLINE", 66, 1), entity("VERTEX", 10, 0, 20, 0), entity("VERTEX", 10, 5, 20, 0), aLine)
	d = read(t, open)
	noticed(t, d, "no end mark (SEQEND)")
	if len(d.Shapes) != 2 {
		t.Errorf("polyline without end: %d shapes", len(d.Shapes))
	}
	d = read(t, entities(aLine, entity("LINE", 10, 1, 20, 1), entity("CIRCLE", 10, 0, 20, 0, 40, -1), entity("LINE", 10, 3, 20, 3, 11, 3, 21, 3)))
	noticed(t, d, "LINE lacks some of its numbers")
	noticed(t, d, "CIRCLE without size")
	noticed(t, d, "LINE without size")
	for n := range len(cut) { // any beginning of a file ends in a drawing or a refusal
		if _, err := dxf.Read([]byte(cut[:n]), dxf.Choices{}, drawing.Limits{}); err != nil {
			refused(t, cut[:n], dxf.Choices{}, drawing.Limits{})
		}
	}
}

// TestOtherFiles are refused by name.
func TestOtherFiles(t *testing.T) {
	t.Parallel()
	for file, what := range map[string]string{
		"":        "empty",
		" \r\n\n": "empty",
		"AutoCAD Binary DXF\r\n\x1a\x00\x00\x00SECTION\x00": "binary DXF",
		"AC1027\x00\x00\x00\x00":                            "DWG",
		"<html><body>no</body></html>":                      "not DXF",
		"PK\x03\x04\x14\x00\x00\x00":                        "not text",
		"0\nLINE\n":                                         "not DXF",
		"<svg xmlns='http://www.w3.org/2000/svg'/>\n":       "not DXF",
	} {
		if got := refused(t, file, dxf.Choices{UnitMM: 1}, drawing.Limits{}); !strings.Contains(got.What, what) {
			t.Errorf("%.20q: %s", file, got.What)
		}
	}
}

// TestLimits: each one on its own.
func TestLimits(t *testing.T) {
	t.Parallel()
	bulged := entity("LWPOLYLINE", 90, 2, 70, 1, 10, 0, 20, 0, 42, 9, 10, 1, 20, 0, 42, 9)
	corners := entity("LWPOLYLINE", 10, 0, 20, 0, 10, 1, 20, 0, 10, 2, 20, 0, 10, 3, 20, 0, 10, 4, 20, 0, 10, 5, 20, 0)
	old := entity("POLYLINE", 66, 1) + strings.Repeat(entity("VERTEX", 10, 0, 20, 0), 6) + entity("SEQEND")
	for name, tc := range map[string]struct {
		file   string
		limits drawing.Limits
		what   string
	}{
		"bytes":                 {entities(aLine), drawing.Limits{Bytes: 50}, "too large"},
		"elements":              {entities(aLine, aLine, aLine), drawing.Limits{Elements: 2}, "too many elements"},
		"elements of a block":   {sheet(section("BLOCKS", block("b", 0, 0, aLine, aLine))), drawing.Limits{Elements: 2}, "too many elements"},
		"layers":                {sheet(section("TABLES", entity("LAYER", 2, "a"), entity("LAYER", 2, "b"), entity("LAYER", 2, "c"))), drawing.Limits{Elements: 2}, "too many elements"},
		"sections":              {sheet(section("A"), section("B"), section("C")), drawing.Limits{Elements: 2}, "too many elements"},
		"points":                {entities(aLine, aLine, aLine), drawing.Limits{Points: 5}, "too many points"},
		"points by bulge":       {entities(bulged), drawing.Limits{Points: 20}, "too many points"},
		"points of a polyline":  {entities(corners), drawing.Limits{Points: 5}, "too many points"},
		"points of an old one":  {entities(old), drawing.Limits{Points: 5}, "too many points"},
		"points of a spline":    {entities(nurbsCircle(50, 70, 8)), drawing.Limits{Points: 30}, "too many points"},
		"work of a high degree": {entities(highDegree(1000, 15)), drawing.Limits{Points: 100_000}, "too many points"},
		"points by insert": {sheet(section("BLOCKS", block("b", 0, 0, aLine)), section("ENTITIES", entity("INSERT", 2, "b", 70, 9, 44, 1))),
			drawing.Limits{Points: 10}, "too many points"},
		"extent":   {entities(aLine, entity("CIRCLE", 10, 11000, 20, 0, 40, 1)), drawing.Limits{}, "too large for any machine"},
		"far away": {entities(entity("CIRCLE", 10, 2e10, 20, 0, 40, 1)), drawing.Limits{}, "too far from its origin"},
	} {
		if got := refused(t, tc.file, dxf.Choices{}, tc.limits); !strings.Contains(got.What, tc.what) || got.Limit == "" || got.Value == "" {
			t.Errorf("%s: %v", name, got)
		}
	}
	// A survey's coordinates, in the drawing's own place, are exact to a fraction of a micrometre.
	d := read(t, entities(entity("LINE", 10, "5400000000.25", 20, "3300000000.5", 11, "5400000030.25", 21, "3300000040.5")))
	near(t, "width", d.WidthMM, 30, 1e-6)
	near(t, "height", d.HeightMM, 40, 1e-6)
}

// highDegree is a spline that costs much more to compute than its points say.
func highDegree(points, degree int) string {
	pairs := []any{71, degree}
	for i := range points + degree + 1 {
		pairs = append(pairs, 40, i)
	}
	for i := range points {
		pairs = append(pairs, 10, i, 20, i%3)
	}
	return entity("SPLINE", pairs...)
}

// TestUnits: the values of $INSUNITS against lengths of the SI and of the yard of 1959 (0.9144 m).
func TestUnits(t *testing.T) {
	t.Parallel()
	const tiny = `0.001`
	file := func(unit, size string) string {
		return section("HEADER", " 9\n$INSUNITS\n 70\n"+unit+"\n 9\n$MEASUREMENT\n 70\n1\n") + section("ENTITIES", entity("LINE", 10, 0, 20, 0, 11, size, 21, 0)) + entity("EOF")
	}
	for _, tc := range []struct {
		unit, size string
		mm         float64
	}{
		{"1", "2", 50.8}, {"2", "2", 609.6}, {"3", tiny, 1609.344}, {"4", "2", 2}, {"5", "2", 20}, {"6", "2", 2000}, {"7", tiny, 1000},
		{"8", "1000000", 25.4}, {"9", "1000", 25.4}, {"10", "2", 1828.8}, {"11", "1e10", 1000}, {"12", "1e6", 1}, {"13", "1000", 1},
		{"14", "2", 200}, {"15", tiny, 10}, {"16", tiny, 100}, {"17", "1e-9", 1000}, {"18", "1e-11", 1495.978707},
		{"19", "1e-15", 9460.7304725808}, {"20", "1e-16", 3085.6775814913673}, {"21", "3.937", 1200}, {"22", "39.37", 1000},
		{"23", "3.937", 3600}, {"24", tiny, 5280 * 1.2 / 3.937},
	} {
		d, err := dxf.Read([]byte(file(tc.unit, tc.size)), dxf.Choices{}, drawing.Limits{})
		if err != nil {
			t.Errorf("unit %s: %v", tc.unit, err)
			continue
		}
		near(t, "unit "+tc.unit, d.WidthMM, tc.mm, 1e-9*tc.mm)
	}
	for _, unit := range []string{"0", "25", "-1", "99"} {
		got := refused(t, file(unit, "40"), dxf.Choices{}, drawing.Limits{})
		if got.Asks != "unit" || !strings.Contains(got.Next, "mm (40 mm wide") || !strings.Contains(got.Next, "in (1016 mm wide") ||
			!strings.Contains(got.Next, "m (too large") || !strings.Contains(got.Next, "metric") {
			t.Errorf("unit %s: %s; %s (asks %q)", unit, got.What, got.Next, got.Asks)
		}
	}
	silent := section("ENTITIES", aLine) + entity("EOF")
	if got := refused(t, silent, dxf.Choices{}, drawing.Limits{}); got.Asks != "unit" {
		t.Errorf("no unit: %+v", got)
	}
	// The answer counts, also where the file says otherwise.
	for _, f := range []string{silent, entities(aLine)} {
		d, err := dxf.Read([]byte(f), dxf.Choices{UnitMM: 25.4}, drawing.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "answered inches", d.WidthMM, 762, 1e-9)
	}
	for _, wrong := range []float64{-1, math.NaN(), math.Inf(1)} {
		refused(t, silent, dxf.Choices{UnitMM: wrong}, drawing.Limits{})
	}
	// What holds nothing to draw needs no unit.
	d := read(t, section("ENTITIES")+entity("EOF"))
	if len(d.Shapes) != 0 || d.WidthMM != 0 {
		t.Errorf("empty: %+v", d)
	}
}
