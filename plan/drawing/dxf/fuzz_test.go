package dxf_test

import (
	"errors"
	"math"
	"reflect"
	"regexp"
	"testing"
	"unicode/utf8"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
)

var hexColour = regexp.MustCompile(`^#[0-9a-f]{6}$`)

// FuzzDXF: whatever the bytes are, the reader ends in a refusal that says what is next, or in a drawing that
// keeps its promises; and twice in the same.
func FuzzDXF(f *testing.F) {
	blocks := section("BLOCKS", block("leaf", 1, 2, aLine, entity("CIRCLE", 10, 1, 20, 1, 40, 2), entity("TEXT", 1, "x")),
		block("branch", 0, 0, entity("INSERT", 2, "leaf", 10, 3, 20, 4, 41, -2, 50, 30, 70, 2, 71, 2, 44, 5, 45, 5, 230, -1)))
	for _, seed := range []string{
		entities(aLine), sheet(blocks, section("ENTITIES", entity("INSERT", 2, "branch", 8, "a"))),
		entities(nurbsCircle(5, 70, 9)), entities(entity("ELLIPSE", 10, 0, 20, 0, 11, 5, 21, 0, 40, 0.6, 41, 1, 42, 2)),
		entities(entity("ARC", 10, 0, 20, 0, 40, 6, 50, 300, 51, 60, 210, 1, 220, 1, 230, 1)),
		entities(entity("LWPOLYLINE", 90, 2, 70, 1, 10, 0, 20, 0, 42, 3, 10, 1, 20, 0, 42, -0.2)),
		entities(entity("POLYLINE", 66, 1, 70, 8) + entity("VERTEX", 10, 0, 20, 0) + entity("VERTEX", 10, 1, 20, 1, 30, 2) + entity("SEQEND")),
		entities(entity("SPLINE", 70, 1, 71, 3, 11, 0, 21, 0, 11, 1, 21, 0, 11, 2, 21, 3, 12, 1, 22, 0)),
		entities(entity("SPLINE", 71, 5, 40, 0, 40, 0, 40, 0, 40, 0, 40, 0, 40, 0, 40, 1, 40, 1, 40, 1, 40, 1, 40, 1, 40, 1,
			10, 0, 20, 0, 10, 1, 20, 2, 10, 2, 20, -1, 10, 3, 20, 0, 10, 4, 20, 3, 10, 5, 20, 0)),
		sheet(section("TABLES", layer("a", 62, -1, 70, 1, 420, 9), entity("LTYPE", 2, "d", 73, 2)), section("ENTITIES", lineOn("a", 6, "d", 67, 1, 62, 3))),
		"0\nSECTION\n2\nENTITIES\n0\nEOF\n",
	} {
		f.Add([]byte(seed), 0.0)
		f.Add([]byte(seed), 25.4)
	}
	limits := drawing.Limits{Bytes: 1 << 16, Depth: 16, Elements: 2000, Expansion: 2000, Points: 20_000}
	f.Fuzz(func(t *testing.T, data []byte, unit float64) {
		d, err := dxf.Read(data, dxf.Choices{UnitMM: unit}, limits)
		again, errAgain := dxf.Read(data, dxf.Choices{UnitMM: unit}, limits)
		if !reflect.DeepEqual(d, again) || !reflect.DeepEqual(err, errAgain) {
			t.Fatalf("two readings differ: %v, %v", err, errAgain)
		}
		if err != nil {
			var refusal *drawing.Refusal
			if !errors.As(err, &refusal) || refusal.What == "" || refusal.Next == "" || d != nil {
				t.Fatalf("%#v beside %v", err, d)
			}
			if refusal.Asks != "" && refusal.Asks != "unit" {
				t.Fatalf("asks %q", refusal.Asks)
			}
			return
		}
		if !(d.WidthMM >= 0 && d.WidthMM <= drawing.MaxExtentMM && d.HeightMM >= 0 && d.HeightMM <= drawing.MaxExtentMM) {
			t.Fatalf("page of %v × %v", d.WidthMM, d.HeightMM)
		}
		points := 0
		onPage := func(p drawing.Vec) {
			const slack = 1e-4 // far from the origin a coordinate is that exact
			if !(p.X >= -slack && p.X <= d.WidthMM+slack && p.Y >= -slack && p.Y <= d.HeightMM+slack) {
				t.Fatalf("%v lies off the page of %v × %v", p, d.WidthMM, d.HeightMM)
			}
		}
		for _, s := range d.Shapes {
			if !hexColour.MatchString(s.Stroke) || s.Fill != "none" || s.Place == "" || len(s.Paths) == 0 || !utf8.ValidString(s.Layer) {
				t.Fatalf("shape %+v", s)
			}
			for _, p := range s.Paths {
				points += len(p.Segments) + 1
				if len(p.Segments) == 0 || p.Closed && p.Segments[len(p.Segments)-1].To != p.Start {
					t.Fatalf("path of %s: %+v", s.Place, p)
				}
				onPage(p.Start)
				from := p.Start
				for _, seg := range p.Segments {
					onPage(seg.To)
					if seg.Curve {
						if math.IsNaN(seg.C1.X + seg.C1.Y + seg.C2.X + seg.C2.Y) {
							t.Fatalf("control point of %s: %+v", s.Place, seg)
						}
						at, _ := cubicAt([4]drawing.Vec{from, seg.C1, seg.C2, seg.To}, 0.4)
						onPage(at)
					}
					from = seg.To
				}
			}
		}
		if points > limits.Points {
			t.Fatalf("%d points", points)
		}
		for _, n := range d.Notices {
			if n.What == "" || n.Next == "" || n.Place == "" || n.Count < 1 || !utf8.ValidString(n.What+n.Place) {
				t.Fatalf("notice %+v", n)
			}
		}
	})
}
