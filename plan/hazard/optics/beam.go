package optics

import (
	"fmt"
	"math"
)

// Width says at which share of the peak a diameter or an angle is measured.
type Width int

// Widths. Data sheets give 1/e², the limits are written for 1/e.
const (
	WidthE2 Width = iota // 1/e², 13.5 % of the peak
	WidthE               // 1/e, 36.8 % of the peak
)

// Profile is the beam's cross-section.
type Profile int

// Profiles. An unknown or multimode one may have a peak 2.5 times that of a Gaussian of the same power
// (factor from memory of IEC TR 60825-14).
const (
	ProfileUnknown Profile = iota
	ProfileGaussian
)

const unknownPeak = 2.5

// Beam is one continuous-wave source. MaxPowerW is the most that the source can give, never what a job
// sets; of a source dimmed by switching it is the power while on.
type Beam struct {
	WavelengthNM   float64
	MaxPowerW      float64
	DiameterMM     float64 // at the exit
	DivergenceMrad float64 // full angle
	WidthAt        Width
	Profile        Profile
	Pulsed         bool // refused
}

func (b Beam) check() error {
	if b.Pulsed {
		return ErrPulsed
	}
	if _, ok := farBand(b.WavelengthNM); !ok {
		return fmt.Errorf("%w: %g nm", ErrWavelength, b.WavelengthNM)
	}
	if !(b.MaxPowerW > 0 && b.MaxPowerW <= 1000) {
		return fmt.Errorf("%w: %g W", ErrPower, b.MaxPowerW)
	}
	return nil
}

func (b Beam) checkShape() error {
	if err := b.check(); err != nil {
		return err
	}
	if !(b.DiameterMM > 0 && b.DiameterMM <= 100) {
		return fmt.Errorf("%w: %g mm", ErrDiameter, b.DiameterMM)
	}
	if !(b.DivergenceMrad >= 0 && b.DivergenceMrad <= 2000) {
		return fmt.Errorf("%w: %g mrad", ErrDivergence, b.DivergenceMrad)
	}
	return nil
}

// atE is a width in the 1/e sense: a Gaussian is √2 narrower there than at 1/e².
func (b Beam) atE(v float64) float64 {
	if b.WidthAt == WidthE2 {
		return v / math.Sqrt2
	}
	return v
}

// peakW is the power of the Gaussian with the same peak.
func (b Beam) peakW() float64 {
	if b.Profile == ProfileUnknown {
		return unknownPeak * b.MaxPowerW
	}
	return b.MaxPowerW
}

// reach is the diameter in m of a beam of that power whose irradiance is the limit; ok is false where
// the whole power through the aperture stays within it.
func reach(powerW float64, l Limit) (d float64, ok bool) {
	if powerW <= l.PowerThrough() {
		return 0, false
	}
	return math.Sqrt(4 * powerW / (math.Pi * l.WM2)), true
}

// Distance is a hazard distance.
type Distance struct {
	Metres float64 // 0 where the limit is nowhere passed, +Inf for a beam that does not spread
	Limit  Limit
}

// NOHD is the nominal ocular hazard distance in metres: (√(4P/(πE)) − a)/φ with exit diameter a and
// full angle φ at 1/e. Source: ANSI Z136.1-2014, Appendix B. Errors wrap those of this package.
func NOHD(b Beam, seconds float64) (Distance, error) {
	if err := b.checkShape(); err != nil {
		return Distance{}, err
	}
	l, err := MPE(b.WavelengthNM, seconds)
	if err != nil {
		return Distance{}, err
	}
	d, ok := reach(b.peakW(), l)
	a, phi := b.atE(b.DiameterMM)/1000, b.atE(b.DivergenceMrad)/1000
	switch {
	case !ok || d <= a:
		return Distance{Limit: l}, nil
	case phi == 0:
		return Distance{math.Inf(1), l}, nil
	}
	return Distance{(d - a) / phi, l}, nil
}

// BehindLens is the hazard distance in metres behind a focusing lens: (f/b)·√(4P/(πE)), with focal
// length f and the 1/e diameter b of the beam at the lens, both in mm. Source: ANSI Z136.1-2014,
// Appendix B.
func BehindLens(b Beam, focalMM, atLensMM, seconds float64) (Distance, error) {
	if err := b.check(); err != nil {
		return Distance{}, err
	}
	if !(focalMM > 0 && focalMM <= 2000) {
		return Distance{}, fmt.Errorf("the focal length is no positive number of millimetres up to 2000: %g mm", focalMM)
	}
	if !(atLensMM > 0 && atLensMM <= 100) {
		return Distance{}, fmt.Errorf("%w: %g mm at the lens", ErrDiameter, atLensMM)
	}
	l, err := MPE(b.WavelengthNM, seconds)
	if err != nil {
		return Distance{}, err
	}
	d, ok := reach(b.peakW(), l)
	if !ok {
		return Distance{Limit: l}, nil
	}
	return Distance{focalMM / b.atE(atLensMM) * d, l}, nil
}

// DiffuseZone is the distance in metres within which light scattered by a matt surface passes the
// limit: √(ρ·P·cosθ/(π·E)), the Lambert rule. reflectance is 0 to 1 (1 where unknown), angle in
// degrees from the surface's normal, below 90. Shiny work reflects like a mirror: use NOHD for it.
// Source: ANSI Z136.1-2014, Appendix B.
func DiffuseZone(b Beam, reflectance, angleDeg, seconds float64) (Distance, error) {
	if err := b.check(); err != nil {
		return Distance{}, err
	}
	if !(reflectance > 0 && reflectance <= 1) {
		return Distance{}, fmt.Errorf("the reflectance is no number above 0 up to 1: %g", reflectance)
	}
	if !(angleDeg >= 0 && angleDeg < 90) {
		return Distance{}, fmt.Errorf("the angle lies outside 0 to 90°: %g°", angleDeg)
	}
	l, err := MPE(b.WavelengthNM, seconds)
	if err != nil {
		return Distance{}, err
	}
	return Distance{lambert(reflectance*b.MaxPowerW*math.Cos(angleDeg*math.Pi/180), l.WM2), l}, nil
}

// lambert is the distance in metres at which so many watts from a matt surface come down to a limit.
func lambert(watts, limit float64) float64 { return math.Sqrt(watts / (math.Pi * limit)) }
