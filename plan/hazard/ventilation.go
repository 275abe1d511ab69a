package hazard

import (
	"errors"
	"math"
)

// ErrQuantity is returned for a number that cannot be what its name says: missing, negative, not
// finite.
var ErrQuantity = errors.New("not a positive number")

// positive says whether all values are finite and above zero.
func positive(values ...float64) error {
	for _, v := range values {
		if !(v > 0) || math.IsInf(v, 0) {
			return ErrQuantity
		}
	}
	return nil
}

// AirChanges is how often an hour the flow in m³/h renews the volume in m³: n = Q/V. Source: CDC, MMWR
// 43 (RR-13, 28 Oct 1994), Table S3-1.
func AirChanges(flowM3PerH, volumeM3 float64) (float64, error) {
	return flowM3PerH / volumeM3, positive(flowM3PerH, volumeM3)
}

// BuildUp is the concentration after t hours in a mixed volume in m³ with a source: [G − (G −
// Q′C0)·exp(−Q′t/V)]/Q′. The source G is in concentration units times m³/h, so that the result has the
// unit of c0 (ppm with G in cm³/h, mg/m³ with G in mg/h). Q′ is the flow over the mixing factor in m³/h.
// Source: equation sheet of the industrial hygienists' board exams.
func BuildUp(generation, flowM3PerH, volumeM3, c0, hours float64) (float64, error) {
	if err := positive(flowM3PerH, volumeM3); err != nil {
		return 0, err
	}
	if !(generation >= 0) || !(c0 >= 0) || !(hours >= 0) || math.IsInf(generation+c0+hours, 0) {
		return 0, ErrQuantity
	}
	return (generation - float64((generation-float64(flowM3PerH*c0))*math.Exp(-flowM3PerH*hours/volumeM3))) / flowM3PerH, nil
}

// Steady is the concentration that a source comes to: C = K·G/Q, with G in mg/h and Q in m³/h in mg/m³.
// It is an estimate for the officer's page, since nobody knows K.
func Steady(generationMGPerH, flowM3PerH, mixing float64) (float64, error) {
	if !(mixing >= 1) || math.IsInf(mixing, 0) {
		return 0, ErrMixing
	}
	return mixing * generationMGPerH / flowM3PerH, positive(generationMGPerH, flowM3PerH)
}

// DuctVelocity is the speed in m/s of a flow in m³/h through a round duct of a diameter in mm. Fume and
// fine dust want 10 to 15 m/s, or the soot stays in the duct. Source of the range: ACGIH 2009 transport
// velocities; of counting cut smoke among them: own reading.
func DuctVelocity(flowM3PerH, diameterMM float64) (float64, error) {
	d := diameterMM / 1000
	return flowM3PerH / 3600 / (math.Pi * d * d / 4), positive(flowM3PerH, diameterMM)
}

// VelocityOfPressure is the speed in m/s of air of 1.2 kg/m³ at a velocity pressure in Pa: 1.29·√VP.
// Source: equation sheet of the industrial hygienists' board exams (4005·√VP in fpm and inches of water).
func VelocityOfPressure(pa float64) (float64, error) {
	return 1.29 * math.Sqrt(pa), positive(pa)
}

// CaptureVelocity is the speed in m/s at a distance x in m before a plain opening of an area in m² that
// draws Q m³/h: v = Q/(10x² + A); a flange around it makes it a third stronger. Source: industrial
// hygienists' question bank, after the ACGIH manual.
func CaptureVelocity(flowM3PerH, distanceM, areaM2 float64, flanged bool) (float64, error) {
	v := flowM3PerH / 3600 / (float64(10*distanceM*distanceM) + areaM2)
	if flanged {
		v /= 0.75
	}
	return v, positive(flowM3PerH, distanceM, areaM2)
}

// molarVolumeL is the litres of a mole of gas at 25 °C and 1 atm; from memory.
const molarVolumeL = 24.45

// MGPerM3 turns parts per million of a gas of a molar mass in g/mol into mg/m³ at 25 °C. Tables round:
// keep ppm and derive this for display only (29 CFR 1910.1000, Table Z-1, footnote b).
func MGPerM3(ppm, molarMass float64) (float64, error) {
	return ppm * molarMass / molarVolumeL, positive(ppm, molarMass)
}

// FlowShare is a gauge reading as a share of the commissioned one. Static pressure falls with the
// square of the flow at one setting of the duct, so the share of the flow is the root of that of the
// pressure; readings are compared as they are, which is the stricter way.
func FlowShare(readPa, commissionedPa float64) (float64, error) {
	return readPa / commissionedPa, positive(readPa, commissionedPa)
}

// FilterLeft is how many hours a filter has left of those that its maker gives it, 0 once they are used up.
func FilterLeft(makerHours, ranHours float64) (float64, error) {
	if !(ranHours >= 0) || math.IsInf(ranHours, 0) {
		return 0, ErrQuantity
	}
	return max(0, makerHours-ranHours), positive(makerHours)
}
