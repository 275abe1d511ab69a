package calibration

import (
	"fmt"
	"math"

	"kerfgate/plan/machine"
)

// Change is one number of the profile that a proposal sets anew, in words.
type Change struct {
	What   string `json:"what"`
	Before string `json:"before"`
	After  string `json:"after"`
}

// Propose is the profile that corrects what was found, with what changes. Where everything that was found
// lies within its uncertainty of what the profile says already, that stays as it is, without changes. p
// must be the profile that drew the pattern.
func (r Result) Propose(p machine.Profile) (machine.Profile, []Change) {
	var before machine.Geometry
	if p.Geometry != nil {
		before = *p.Geometry
	}
	left := func(e Estimate, was int64) bool { return (Estimate{e.Value - float64(was), e.Uncertain}).Clear() }
	if !left(r.ScaleX, before.ScaleXPPM) && !left(r.ScaleY, before.ScaleYPPM) && !left(r.Squareness, before.SquarenessURad) &&
		!r.BacklashX.Clear() && !r.BacklashY.Clear() {
		return p, nil
	}
	after := r.geometry()
	out := p
	out.Geometry = &after
	// An axis cannot lose less than nothing: what is found below that is chance, or play in the marks.
	out.BacklashXUM = max(0, p.BacklashXUM+whole(r.BacklashX.Value))
	out.BacklashYUM = max(0, p.BacklashYUM+whole(r.BacklashY.Value))
	var changes []Change
	add := func(what string, was, is int64, print func(int64) string) {
		if was != is {
			changes = append(changes, Change{What: what, Before: print(was), After: print(is)})
		}
	}
	add("scale of x", before.ScaleXPPM, after.ScaleXPPM, ScaleText)
	add("scale of y", before.ScaleYPPM, after.ScaleYPPM, ScaleText)
	add("squareness", before.SquarenessURad, after.SquarenessURad, SquarenessText)
	add("backlash of x", p.BacklashXUM, out.BacklashXUM, func(v int64) string { return mm(v) + " mm" })
	add("backlash of y", p.BacklashYUM, out.BacklashYUM, func(v int64) string { return mm(v) + " mm" })
	return out, changes
}

// geometry is what was found of scale and squareness.
func (r Result) geometry() machine.Geometry {
	return machine.Geometry{ScaleXPPM: whole(r.ScaleX.Value), ScaleYPPM: whole(r.ScaleY.Value), SquarenessURad: whole(r.Squareness.Value)}
}

func whole(v float64) int64 { return int64(math.Round(v)) }

// ScaleText says in words how much farther than told an axis goes.
func ScaleText(ppm int64) string {
	switch {
	case ppm > 0:
		return fmt.Sprintf("goes %s µm too far on 100 mm", tenths(ppm))
	case ppm < 0:
		return fmt.Sprintf("stays %s µm short on 100 mm", tenths(-ppm))
	}
	return "goes as far as it is told"
}

// tenths prints millionths as µm on 100 mm.
func tenths(ppm int64) string { return fmt.Sprintf("%d.%d", ppm/10, ppm%10) }

// SquarenessText says in words how y stands on x.
func SquarenessText(urad int64) string {
	if urad == 0 {
		return "y stands square on x"
	}
	side := "+x"
	if urad < 0 {
		side, urad = "−x", -urad
	}
	return fmt.Sprintf("y leans %.3f° towards %s, %s µm on 100 mm", float64(urad)*180/math.Pi/1e6, side, tenths(urad))
}

// Bed is what errors come to at the far corner of a bed of the given size, in µm: what was found, and its
// uncertainty (k = 2). A place's distance from where it should be; backlash counts.
func (r Result) Bed(widthUM, heightUM int64) Estimate {
	w, h := float64(widthUM), float64(heightUM)
	g := r.geometry()
	x, y := g.Reached(w, h)
	found := math.Hypot(math.Abs(x-w)+math.Abs(r.BacklashX.Value), math.Abs(y-h)+math.Abs(r.BacklashY.Value))
	// Along x: the scale over the width, the lean over the height, the backlash; along y the scale, the backlash.
	alongX := r.variance([unknowns]float64{w, 0, h, 1, 0})
	alongY := r.variance([unknowns]float64{0, h, 0, 0, 1})
	return Estimate{Value: found, Uncertain: 2 * math.Sqrt(alongX+alongY)}
}

// variance is that of a sum of the unknowns with the given weights.
func (r Result) variance(g [unknowns]float64) float64 {
	sum := 0.0
	for i := range g {
		for k := range g {
			sum += float64(float64(g[i]*g[k]) * r.Covariance[i][k])
		}
	}
	return sum
}
