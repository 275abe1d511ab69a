package engrave

import (
	"errors"
	"math"
)

// ErrPitch says that a line pitch was asked for with something that is not a positive number.
var ErrPitch = errors.New("a line pitch needs positive numbers; correct the setting")

// PitchMM is the line pitch in mm of so many lines per inch: Δ = 25.4/lines.
func PitchMM(linesPerInch float64) (float64, error) {
	return share(25.4, linesPerInch)
}

// Overlap is the share of a row's width that the next row covers again: 1 − Δ/d, with the line pitch
// Δ and the spot's width d in one unit. It is negative where a gap is left.
func Overlap(pitch, spot float64) (float64, error) {
	left, err := share(pitch, spot)
	return 1 - left, err
}

// share divides one positive number by another.
func share(of, by float64) (float64, error) {
	if !(of > 0) || !(by > 0) || math.IsInf(of, 1) || math.IsInf(by, 1) {
		return 0, ErrPitch
	}
	return of / by, nil
}
