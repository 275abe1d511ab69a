package machine

import (
	"math"

	"kerfgate/plan/geom"
)

// Geometry is how the carriage moves against what it is told, as a calibration found it: told to go to
// (x, y) it goes to (sx·x + sy·y·sin γ, sy·y·cos γ). Motion lines are told the inverse, from the plan's origin
// on, so that what is drawn comes out true; machine coordinates stay those that the machine is told. A nil
// Geometry is a machine that goes where it is told.
type Geometry struct {
	// ScaleXPPM and ScaleYPPM are how much farther than told each axis goes, in millionths.
	ScaleXPPM int64 `json:"scale_x_ppm"`
	ScaleYPPM int64 `json:"scale_y_ppm"`
	// SquarenessURad is the angle γ, in microradians, by which the y axis leans towards +x.
	SquarenessURad int64 `json:"squareness_urad"`
}

// terms are sx, sy·sin γ and sy·cos γ.
func (g *Geometry) terms() (xx, yx, yy float64) {
	if g == nil {
		return 1, 0, 1
	}
	sin, cos := math.Sincos(float64(g.SquarenessURad) / 1e6)
	sy := 1 + float64(g.ScaleYPPM)/1e6
	return 1 + float64(g.ScaleXPPM)/1e6, sy * sin, sy * cos
}

// Reached is where the carriage goes when it is told p, in mm or any other unit.
func (g *Geometry) Reached(x, y float64) (float64, float64) {
	xx, yx, yy := g.terms()
	return float64(xx*x) + float64(yx*y), yy * y
}

// Told is what the machine must be told so that it reaches a place: x' = (x − y·tan γ)/sx and y' = y/(sy·cos γ),
// which is the correction of a skew in use among builders of three-axis printers.
func (g *Geometry) Told(p geom.Point) geom.Point {
	if g == nil {
		return p
	}
	xx, yx, yy := g.terms()
	y := float64(p.Y) / yy
	x := (float64(p.X) - float64(yx*y)) / xx
	return geom.Pt(int64(math.Round(x)), int64(math.Round(y)))
}

// ToldBox is the smallest box around what the machine must be told to reach everything in b.
func (g *Geometry) ToldBox(b geom.Box) geom.Box {
	if g == nil {
		return b
	}
	out, _ := geom.BoxOf(g.Told(b.Min), g.Told(geom.Pt(b.Max.X, b.Min.Y)), g.Told(b.Max), g.Told(geom.Pt(b.Min.X, b.Max.Y)))
	return out
}

// Mechanics is how a simulated machine is built where that is not what its profile says: its errors,
// which a calibration is to find. Other machines have theirs in iron.
type Mechanics struct {
	Geometry
	BacklashXUM int64 `json:"backlash_x_um"`
	BacklashYUM int64 `json:"backlash_y_um"`
}
