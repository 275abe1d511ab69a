package dose

import "math"

// LineDose is the energy along a line in J/mm: power in W over speed in mm/s.
func LineDose(watts, mmPerS float64) float64 { return watts / mmPerS }

// AreaDose is the energy on an area of lines in J/mm²: line dose over the lines' distance in mm.
func AreaDose(watts, mmPerS, pitchMM float64) float64 { return watts / (mmPerS * pitchMM) }

// SpotDose is the energy on a round spot in J/mm², evenly spread.
func SpotDose(joules, diameterMM float64) float64 {
	return joules / (math.Pi / 4 * diameterMM * diameterMM)
}

// PeakDose is the greatest dose in J/mm² on a line burned by a Gaussian spot of the 1/e² radius w in
// mm: √(2/π)·P/(v·w).
func PeakDose(watts, mmPerS, radiusMM float64) float64 {
	return math.Sqrt(2/math.Pi) * watts / (mmPerS * radiusMM)
}
