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

// OpeningVelocity is the mean speed in m/s of a flow in m³/h through an opening of an area in m²: v = Q/A.
func OpeningVelocity(flowM3PerH, areaM2 float64) (float64, error) {
	return flowM3PerH / 3600 / areaM2, positive(flowM3PerH, areaM2)
}

// OpeningFlow is the flow in m³/h of a speed in m/s through an opening of an area in m²: Q = v·A, also what
// a booth of that face needs.
func OpeningFlow(speedMPerS, areaM2 float64) (float64, error) {
	return speedMPerS * areaM2 * 3600, positive(speedMPerS, areaM2)
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

// SlotVelocity is the speed in m/s at a distance in m before a slot of a length in m (at most a fifth as
// high as long) that draws Q m³/h: v = Q/(3.7·L·x), 2.6 with a flange. Source: industrial hygienists'
// question bank, after the ACGIH manual.
func SlotVelocity(flowM3PerH, lengthM, distanceM float64, flanged bool) (float64, error) {
	factor := 3.7
	if flanged {
		factor = 2.6
	}
	return flowM3PerH / 3600 / (factor * lengthM * distanceM), positive(flowM3PerH, lengthM, distanceM)
}

// CanopyFlow is the flow in m³/h that a canopy needs for a speed in m/s at the edge of what it hangs over,
// whose perimeter is in m, as is the height above it: Q = 1.4·P·v·H. Source: as SlotVelocity.
func CanopyFlow(perimeterM, speedMPerS, heightM float64) (float64, error) {
	return 1.4 * perimeterM * speedMPerS * heightM * 3600, positive(perimeterM, speedMPerS, heightM)
}

// FanFlow is the flow of the same fan in the same ducts at another speed: it goes with the turns, the
// pressure with their square, the power with their cube. Source: as SlotVelocity.
func FanFlow(flowM3PerH, rpm, newRPM float64) (float64, error) {
	return flowM3PerH * newRPM / rpm, positive(flowM3PerH, rpm, newRPM)
}

// EffectiveFlow is what of a flow thins the air: Q′ = Q/K. Source: CDC, MMWR 43 (RR-13, 28 Oct 1994).
func EffectiveFlow(flowM3PerH, mixing float64) (float64, error) {
	if !(mixing >= 1) || math.IsInf(mixing, 0) {
		return 0, ErrMixing
	}
	return flowM3PerH / mixing, positive(flowM3PerH)
}

// A mole of gas at 0 °C and 1 atm fills 22.414 l (CODATA).
const (
	molZeroL  = 22.414
	molKelvin = 273.15
)

// VapourFlow is the vapour in m³/h of a liquid that evaporates, in l/h, with its density in kg/l and molar
// mass in g/mol, at a temperature in °C and 1 atm. American sheets write 403 ft³ a pint for it, SI ones
// 24 l a mole. Source: equation sheet of the industrial hygienists' board exams.
func VapourFlow(liquidLPerH, densityKGPerL, molarMass, celsius float64) (float64, error) {
	molar := molZeroL * (molKelvin + celsius) / molKelvin
	return liquidLPerH * densityKGPerL / molarMass * molar, positive(liquidLPerH, densityKGPerL, molarMass, molar)
}

// DilutionFlow is the flow in m³/h that keeps a vapour or gas, given off in m³/h, at so many ppm: Q =
// K·G/C. An estimate, since nobody knows K. Source: as VapourFlow.
func DilutionFlow(vapourM3PerH, ppm, mixing float64) (float64, error) {
	if !(mixing >= 1) || math.IsInf(mixing, 0) {
		return 0, ErrMixing
	}
	return mixing * vapourM3PerH * 1e6 / ppm, positive(vapourM3PerH, ppm)
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
