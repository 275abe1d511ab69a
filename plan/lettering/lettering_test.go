package lettering

import (
	"strings"
	"testing"

	"kerfgate/plan/geom"
)

// TestGlyphsAreWhole: every glyph is made of lines of at least two points, on its grid, and no two look
// the same.
func TestGlyphsAreWhole(t *testing.T) {
	t.Parallel()
	seen := map[string]rune{}
	for r, text := range glyphs {
		if other, twice := seen[text]; twice {
			t.Errorf("%q looks like %q", r, other)
		}
		seen[text] = r
		for _, line := range strings.Fields(text) {
			if len(line) < 4 || len(line)%2 != 0 {
				t.Errorf("%q: line %q", r, line)
			}
		}
		for _, line := range Lines(string(r), geom.Pt(1_000, 2_000), 6_000) {
			for i, p := range line {
				if p.X < 1_000 || p.X > 5_000 || p.Y < 2_000 || p.Y > 8_000 {
					t.Errorf("%q leaves its grid at %v", r, p)
				}
				if i > 0 && p == line[i-1] {
					t.Errorf("%q has a line without length", r)
				}
			}
		}
	}
}

// TestTextIsAsWideAsSaid: a text fills the width that is told for it, and unknown letters are told.
func TestTextIsAsWideAsSaid(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"0", "60", "4M", "HW%"} {
		var all []geom.Point
		for _, l := range Lines(text, geom.Point{}, 3_000) {
			all = append(all, l...)
		}
		box, ok := geom.BoxOf(all...)
		if !ok || box.Width() != WidthUM(text, 3_000) || box.Height() != 3_000 {
			t.Errorf("%q: %v, want %d wide", text, box, WidthUM(text, 3_000))
		}
	}
	if WidthUM("", 3_000) != 0 || Knows("a") || !Knows("A 60%") {
		t.Error("empty and unknown texts")
	}
}
