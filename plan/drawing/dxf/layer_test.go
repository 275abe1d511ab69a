package dxf_test

import (
	"fmt"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
)

func layer(name string, pairs ...any) string {
	return entity("LAYER", append([]any{2, name}, pairs...)...)
}

func lineOn(name string, pairs ...any) string {
	return entity("LINE", append([]any{8, name, 10, 0, 20, 0, 11, 1, 21, 1}, pairs...)...)
}

// TestLayers: what is off, frozen, not plotted, invisible or in paper space is left out and counted.
func TestLayers(t *testing.T) {
	t.Parallel()
	d := read(t, sheet(
		section("TABLES", layer("cut", 62, 1), layer("off", 62, -3), layer("frozen", 70, 1), layer("aids", 290, 0), layer("Cut", 62, 4)),
		section("BLOCKS",
			block("b", 0, 0, lineOn("0"), lineOn("cut")),
			entity("BLOCK", 2, "*Paper_Space0", 67, 1)+lineOn("cut")+entity("ENDBLK")),
		section("ENTITIES", lineOn("CUT"), lineOn("off"), lineOn("OFF"), lineOn("frozen"), lineOn("aids"), lineOn("Defpoints"),
			lineOn("cut", 60, 1), lineOn("cut", 67, 1), lineOn("unknown"), lineOn(""),
			entity("INSERT", 2, "b", 8, "off"), entity("INSERT", 2, "b", 8, "frozen"), entity("INSERT", 2, "b", 8, "aids"))))
	var got []string
	for _, s := range d.Shapes {
		got = append(got, s.Layer)
	}
	// The last two are the part on its own layer of the inserts on layers that are off and not plotted.
	if want := "[cut unknown  cut cut]"; fmt.Sprint(got) != want {
		t.Errorf("layers %v, want %s", got, want)
	}
	for part, count := range map[string]int{
		`"off", which is off`: 3, `"frozen", which is frozen`: 2, `"aids", which is not plotted`: 2, `"Defpoints", which is not plotted`: 1,
		"invisible": 1, "in paper space": 2, "a layer is defined twice": 1,
	} {
		if n := noticed(t, d, part); n.Count != count {
			t.Errorf("%s: %d times, want %d", part, n.Count, count)
		}
	}
}

// TestColours: own number, true colour, by layer, by block; 1, 5, 30 and 250 stand in the published table.
func TestColours(t *testing.T) {
	t.Parallel()
	d := read(t, sheet(
		section("TABLES", layer("red", 62, 1), layer("true", 62, 1, 420, 0x3366cc), layer("plain")),
		section("BLOCKS", block("b", 0, 0, lineOn("0"), lineOn("plain", 62, 0), lineOn("plain", 62, 5), lineOn("red", 62, 256))),
		section("ENTITIES", lineOn("red"), lineOn("true"), lineOn("red", 62, 30), lineOn("red", 62, 30, 420, 0x010203), lineOn("red", 62, 0),
			lineOn("plain", 62, 250), lineOn("plain", 62, 7), lineOn("plain", 62, 255), lineOn("plain", 62, 9999),
			entity("INSERT", 2, "b", 8, "true"), entity("INSERT", 2, "b", 8, "red", 62, 3))))
	want := []string{"#ff0000", "#3366cc", "#ff7f00", "#010203", "#000000", "#333333", "#000000", "#ffffff", "#000000",
		"#3366cc", "#3366cc", "#0000ff", "#ff0000", "#ff0000", "#00ff00", "#0000ff", "#ff0000"}
	if len(d.Shapes) != len(want) {
		t.Fatalf("%d shapes", len(d.Shapes))
	}
	for i, s := range d.Shapes {
		if s.Stroke != want[i] || s.Fill != "none" {
			t.Errorf("shape %d (%s): line %s, fill %s, want %s", i, s.Place, s.Stroke, s.Fill, want[i])
		}
	}
}

// TestLineTypes: dashes by the entity, its layer or its insert are named; plain ones are not.
func TestLineTypes(t *testing.T) {
	t.Parallel()
	d := read(t, sheet(
		section("TABLES", entity("LTYPE", 2, "HIDDEN", 73, 2), entity("LTYPE", 2, "Fine", 73, 0), layer("plain", 6, "CONTINUOUS"), layer("dashed", 6, "Hidden")),
		section("BLOCKS", block("b", 0, 0, lineOn("plain", 6, "ByBlock"))),
		section("ENTITIES", lineOn("plain"), lineOn("plain", 6, "fine"), lineOn("dashed", 6, "Continuous"), lineOn("plain", 6, "BYBLOCK"), entity("INSERT", 2, "b"),
			lineOn("dashed"), lineOn("plain", 6, "hidden"), lineOn("plain", 6, "not in the table"), lineOn("dashed", 6, "ByLayer"), entity("INSERT", 2, "b", 6, "HIDDEN"))))
	if n := noticed(t, d, "dashed line"); n.Count != 5 || len(d.Shapes) != 10 {
		t.Errorf("%d dashed, want 5, of %d shapes", n.Count, len(d.Shapes))
	}
}

// TestNames: one layer name by code page, as UTF-8 and by the escape; the bytes are those of the code
// pages' published tables.
func TestNames(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ version, page, raw, want string }{
		{"AC1015", "ANSI_1252", "Kr\xe4uter \x80", "Kräuter €"},
		{"AC1009", "ansi_1251", "\xf2\xf0\xe0\xe2\xfb", "травы"},
		{"AC1015", "dos850", "Kr\x84uter", "Kräuter"},
		{"AC1021", "ANSI_1252", "Kräuter", "Kräuter"},
		{"AC1021", "ANSI_1252", "Kr\xe4uter", "Kr\ufffduter"},
		{"AC1009", "", "Kr\xe4uter", "Kräuter"},
		{"AC1009", "", "Kräuter", "Kräuter"},
		{"AC1015", "ANSI_1252", `\U+03A1\u+03A1 \U+00`, `Ρ\u+03A1 \U+00`},
		{"AC1015", "ANSI_932", "\x94\xc2", "板"},
		{"AC1015", "ANSI_932", "\x95\x5c", "表"}, // its second byte is that of a backslash
		{"AC1015", "ANSI_936", "\xc4\xbe", "木"},
		{"AC1015", "ANSI_949", "\xb3\xaa", "나"},
		{"AC1015", "ANSI_950", "\xa4\xec", "木"},
		{"AC1015", "JOHAB", "\x83\x41", "\ufffdA"},
		{"AC1015", "ANSI_1252", strings.Repeat("a", 200), strings.Repeat("a", 80)},
	} {
		file := section("HEADER", " 9\n$ACADVER\n 1\n"+tc.version+"\n 9\n$DWGCODEPAGE\n 3\n"+tc.page+"\n 9\n$INSUNITS\n 70\n4\n") +
			section("ENTITIES", lineOn(tc.raw)) + entity("EOF")
		d, err := dxf.Read([]byte(file), dxf.Choices{}, drawing.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		if got := d.Shapes[0].Layer; got != tc.want {
			t.Errorf("%q in %s %s: %q, want %q", tc.raw, tc.version, tc.page, got, tc.want)
		}
		if tc.page == "JOHAB" {
			noticed(t, d, "code page JOHAB is not read")
		} else if len(d.Notices) > 0 {
			t.Errorf("%q: %v", tc.raw, d.Notices)
		}
	}
}

// TestNamedAndLeftOut: whatever does not become lines is named with kind, handle, line and count.
func TestNamedAndLeftOut(t *testing.T) {
	t.Parallel()
	kinds := []string{"TEXT", "MTEXT", "HATCH", "DIMENSION", "3DFACE", "SOLID", "TRACE", "IMAGE", "LEADER", "REGION", "POINT", "XLINE",
		"RAY", "MLINE", "TOLERANCE", "3DSOLID", "ACAD_PROXY_ENTITY", "SURPRISE", "VERTEX"}
	var parts []string
	for i, k := range kinds {
		one := entity(k, 5, fmt.Sprintf("%X", 0xA0+i), 8, "0", 10, 1, 20, 1, 40, "not even a number", 1, "words")
		if k == "VERTEX" {
			one = entity(k, 5, fmt.Sprintf("%X", 0xA0+i), 10, 1, 20, 1)
		}
		parts = append(parts, one, one)
	}
	d := read(t, entities(parts...))
	if len(d.Notices) != len(kinds) || len(d.Shapes) != 0 {
		t.Errorf("%d notices for %d kinds, %d shapes", len(d.Notices), len(kinds), len(d.Shapes))
	}
	d2 := read(t, section("HEADER", " 9\n$ACADVER\n 1\nAC1099\n 9\n$INSUNITS\n 70\n4\n")+section("OBJECTS", entity("SPATIAL_FILTER"))+section("ENTITIES", aLine)+entity("EOF"))
	if n := noticed(t, d2, "clip is not applied"); !strings.HasPrefix(n.Place, "SPATIAL_FILTER, line ") {
		t.Errorf("a clip of nothing that is known, told at %s", n.Place)
	}
	noticed(t, d2, "version is not one of")
	for i, k := range kinds {
		n := noticed(t, d, k+" is not read")
		if place := fmt.Sprintf("%s, handle %X, line ", k, 0xA0+i); n.Count != 2 || !strings.HasPrefix(n.Place, place) {
			t.Errorf("%s: %d times at %s", k, n.Count, n.Place)
		}
	}
	// Names of layers enter the notices; their number stays bounded all the same.
	var many []string
	for i := range 1000 {
		many = append(many, entity("INSERT", 2, fmt.Sprint("gone ", i)))
	}
	if d = read(t, entities(many...)); len(d.Notices) != 201 || d.Notices[200].Count != 800 {
		t.Errorf("%d notices, the last of them %+v", len(d.Notices), d.Notices[len(d.Notices)-1])
	}
}

// TestPolylines: curve-fit vertices count, a spline frame's do not; widths, meshes and height are named.
func TestPolylines(t *testing.T) {
	t.Parallel()
	vertices := func(flags ...int) string {
		out := ""
		for i, f := range flags {
			out += entity("VERTEX", 10, i, 20, i%2, 30, i*i, 70, f)
		}
		return out + entity("SEQEND")
	}
	for _, tc := range []struct {
		name, file string
		segments   int
		notice     string
	}{
		{"curve fit", entity("POLYLINE", 66, 1, 70, 2) + vertices(0, 1, 0, 1), 3, ""},
		{"spline fit", entity("POLYLINE", 66, 1, 70, 4) + vertices(16, 8, 8, 8, 16), 2, ""},
		{"in space", entity("POLYLINE", 66, 1, 70, 8) + vertices(32, 32, 32), 2, "POLYLINE does not lie flat"},
		{"closed in space", entity("POLYLINE", 66, 1, 70, 9) + vertices(32, 32, 32), 3, "POLYLINE does not lie flat"},
		{"bulge in space", entity("POLYLINE", 66, 1, 70, 8) + entity("VERTEX", 10, 0, 20, 0, 42, 1) + entity("VERTEX", 10, 1, 20, 0) + entity("SEQEND"), 1, ""},
		{"mesh", entity("POLYLINE", 66, 1, 70, 16, 71, 2, 72, 2) + vertices(64, 64, 64, 64), 0, "a mesh"},
		{"faces", entity("POLYLINE", 66, 1, 70, 64) + vertices(192, 192, 192, 128), 0, "a mesh"},
		{"wide", entity("POLYLINE", 66, 1, 40, 0.5, 41, 0.5) + vertices(0, 0), 1, "wide polyline"},
		{"wide corner", entity("LWPOLYLINE", 10, 0, 20, 0, 40, 0.5, 10, 1, 20, 0), 1, "wide polyline"},
		{"wide all along", entity("LWPOLYLINE", 43, 2, 10, 0, 20, 0, 10, 1, 20, 0), 1, "wide polyline"},
		{"doubled corner", entity("LWPOLYLINE", 70, 1, 10, 0, 20, 0, 10, 0, 20, 0, 10, 1, 20, 0, 10, 0, 20, 0), 2, ""},
		{"corner without y", entity("LWPOLYLINE", 10, 0, 20, 0, 10, 1, 10, 2, 20, 2), 0, "lacks some of its numbers"},
		{"fewer corners than said", entity("LWPOLYLINE", 90, 3, 10, 0, 20, 0, 10, 1, 20, 0), 1, "another number of corners"},
		{"slanted line", entity("LINE", 10, 0, 20, 0, 30, 0, 11, 1, 21, 0, 31, 1), 1, "LINE does not lie flat"},
		{"raised line", entity("LINE", 10, 0, 20, 0, 30, 5, 11, 1, 21, 0, 31, 5), 1, ""},
	} {
		d := read(t, entities(tc.file))
		segments := 0
		for _, s := range d.Shapes {
			for _, p := range s.Paths {
				segments += len(p.Segments)
			}
		}
		if segments != tc.segments {
			t.Errorf("%s: %d segments, want %d", tc.name, segments, tc.segments)
		}
		if tc.notice != "" {
			noticed(t, d, tc.notice)
		}
		if want := min(1, len(tc.notice)); len(d.Notices) != want {
			t.Errorf("%s: notices %+v", tc.name, d.Notices)
		}
	}
}
