package engrave

import (
	"errors"
	"math"
)

// ErrDose says that a dose was asked for with something that is not a positive number.
var ErrDose = errors.New("a dose needs positive numbers; correct the setting")

// PitchMM is the line pitch in mm of so many lines per inch: Δ = 25.4/lines.
func PitchMM(linesPerInch float64) (float64, error) {
	return dose(25.4, linesPerInch)
}

// LineDose is the energy along a line in J/mm: P/v, with the power in W and the speed in mm/s.
func LineDose(powerW, speedMMPerS float64) (float64, error) {
	return dose(powerW, speedMMPerS)
}

// AreaDose is the energy over a filled area in J/mm²: P/(v·Δ), with the line pitch Δ in mm. (Read in
// two calculator pages; dimensions own.)
func AreaDose(powerW, speedMMPerS, pitchMM float64) (float64, error) {
	return dose(powerW, speedMMPerS, pitchMM)
}

// Overlap is the share of a row's width that the next row covers again: 1 − Δ/d, with the line pitch
// Δ and the spot's width d in one unit. It is negative where a gap is left.
func Overlap(pitch, spot float64) (float64, error) {
	share, err := dose(pitch, spot)
	return 1 - share, err
}

// dose divides the first number by all others.
func dose(of float64, by ...float64) (float64, error) {
	for _, v := range append(by, of) {
		if !(v > 0) || math.IsInf(v, 1) {
			return 0, ErrDose
		}
	}
	for _, v := range by {
		of /= v
	}
	return of, nil
}
