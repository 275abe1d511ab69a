package machine

import "math"

// Drive is how one axis is driven: a motor with its step divider, gears, and what one turn of their
// output moves the carriage.
type Drive struct {
	FullSteps  int64   // of the motor, a turn
	Microsteps int64   // for each of them
	Ratio      float64 // motor turns for one turn of the output
	TravelMM   float64 // carriage travel for one turn of the output
}

// What one turn of an output moves, in mm.

// BeltTravel is that of a toothed belt's wheel.
func BeltTravel(pitchMM float64, teeth int64) float64 { return pitchMM * float64(teeth) }

// RackTravel is that of a rack's pinion: π·m·z, module in mm.
func RackTravel(moduleMM float64, teeth int64) float64 { return math.Pi * moduleMM * float64(teeth) }

// WheelTravel is that of a wheel that rolls: π·D.
func WheelTravel(diameterMM float64) float64 { return math.Pi * diameterMM }

// CountsPerMM is how many counts of the drive move the carriage one millimetre (on a turning axis,
// with a travel of 360, one degree).
func (d Drive) CountsPerMM() float64 {
	return float64(d.FullSteps*d.Microsteps) * d.Ratio / d.TravelMM
}

// DegreesPerMM is how far the motor turns for one millimetre.
func (d Drive) DegreesPerMM() float64 { return 360 * d.Ratio / d.TravelMM }

// Count is the count nearest to an absolute position in µm. Rounding the position itself, never
// adding rounded moves, keeps the error within half a count for ever.
func (d Drive) Count(positionUM int64) int64 {
	return int64(math.Round(float64(positionUM) / 1000 * d.CountsPerMM()))
}

// StepUM is what one count moves the carriage, in whole µm, rounded up, at least one: what
// Profile.SmallestStepUM takes.
func (d Drive) StepUM() int64 { return max(1, int64(math.Ceil(1000/d.CountsPerMM()-1e-9))) }
