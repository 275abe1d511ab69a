package plan

import (
	"slices"
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// TestOutline: around what the tool marks and nothing else: a run-in with the tool off and a travel lie outside of
// it, a tab's gap does not; one kept on disk gives the same. The corners are those that a string would touch.
func TestOutline(t *testing.T) {
	t.Parallel()
	p := &Plan{Extents: geom.Box{Max: geom.Pt(60_000, 50_000)}, Strokes: []Stroke{
		// A square with 5 mm of run-in before it.
		{Points: []geom.Point{geom.Pt(-5_000, 0), geom.Pt(0, 0), geom.Pt(20_000, 0), geom.Pt(20_000, 20_000), geom.Pt(0, 20_000), geom.Pt(0, 0)},
			On: []geom.Span{{From: 5_000, To: 15_000}, {From: 16_000, To: 85_000}}},
		// A line far off, which a box would pull a corner out for that nothing lies in.
		{Points: []geom.Point{geom.Pt(40_000, 50_000), geom.Pt(60_000, 50_000)}},
	}}
	want := []geom.Point{geom.Pt(0, 0), geom.Pt(20_000, 0), geom.Pt(60_000, 50_000), geom.Pt(40_000, 50_000), geom.Pt(0, 20_000)}
	if got := p.Outline(); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got := (&Plan{}).Outline(); len(got) > 0 {
		t.Errorf("of nothing: %v", got)
	}
	// The machine is told what its lines are told.
	skewed := machine.Profile{Geometry: &machine.Geometry{ScaleXPPM: 10_000, SquarenessURad: 5_000}}
	for i, told := range p.ToldAround(skewed, want) {
		if told != skewed.Geometry.Told(want[i]) {
			t.Errorf("corner %d is told as %v", i, told)
		}
	}
	p.Uncorrected = true
	if got := p.ToldAround(skewed, want); !slices.Equal(got, want) {
		t.Errorf("a plan that is told as it is: %v", got)
	}
}
