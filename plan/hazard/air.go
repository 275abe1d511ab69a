// Package hazard computes numbers about air, fire and optics with their sources. They are lower
// bounds and estimates for the person who judges; none of them says that something is harmless.
package hazard

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"kerfgate/plan/material"
)

// Purge defaults. Factor, floor and cap are this project's own choices; CDC gives "as high as 10"
// for a poorly mixed room, and a published workshop rule waits 30 s.
const (
	DefaultMixing   = 10
	PurgeFloorS     = 60
	PurgeGassingS   = 120 // the floor of acrylic, which goes on gassing, and of what nobody knows
	PurgeCapS       = 900
	purgeLeftShare  = 0.001 // 99.9 % of what was in the air is gone
	litresPerCubicM = 1000
)

// Errors of the purge time.
var (
	ErrAirUnknown = errors.New("enclosure volume and measured exhaust flow must be known")
	ErrMixing     = errors.New("mixing factor must be 1 or more")
	ErrPurgeLong  = errors.New("purge takes too long: the extraction is too weak for this enclosure")
)

// ClearingTime is the time in seconds until the share left (0 to 1) of what was in the air
// remains, with the source off: t = (K·V/Q)·ln(C0/C). Volume in m³, outside air or exhaust flow in
// m³/h, mixing factor K from 1 (perfect) to 10 (poor). Source: CDC, MMWR 43 (RR-13, 28 Oct 1994),
// Table S3-1.
func ClearingTime(volumeM3, flowM3PerH, mixing, left float64) (float64, error) {
	if !(volumeM3 > 0) || !(flowM3PerH > 0) || math.IsInf(volumeM3, 0) || math.IsInf(flowM3PerH, 0) {
		return 0, ErrAirUnknown
	}
	if !(mixing >= 1) || math.IsInf(mixing, 0) {
		return 0, ErrMixing
	}
	if !(left > 0 && left < 1) {
		return 0, fmt.Errorf("share left must lie between 0 and 1, got %v", left)
	}
	return mixing * volumeM3 / flowM3PerH * 3600 * math.Log(1/left), nil
}

// PurgeOf is the whole seconds, rounded up, before the lid of an enclosure may be opened over a material:
// 99.9 % of the smoke removed, at least PurgeFloor of the material. Volume in litres, measured flow in
// m³/h; mixing 0 means DefaultMixing. Over PurgeCapS it is ErrPurgeLong, and the person in charge has to
// decide. It is a lower bound: material may go on gassing once the lid is open.
func PurgeOf(volumeL, flowM3PerH, mixing int64, m material.Material) (int64, error) {
	if mixing == 0 {
		mixing = DefaultMixing
	}
	t, err := ClearingTime(float64(volumeL)/litresPerCubicM, float64(flowM3PerH), float64(mixing), purgeLeftShare)
	if err != nil {
		return 0, err
	}
	if t > PurgeCapS {
		return 0, fmt.Errorf("%w: %.0f s, at most %d s", ErrPurgeLong, math.Ceil(t), PurgeCapS)
	}
	return max(PurgeFloor(m), int64(math.Ceil(t))), nil
}

// PurgeFloor is the shortest purge in seconds after a material, also where there is no enclosure to clear:
// PurgeGassingS for acrylic and for a composition that nobody wrote down, PurgeFloorS else; both are this
// project's own choice. After acrylic cuts particle counts kept rising for at least 20 min once the lid
// was open (Muñoz et al. 2023, ACS Chem. Health Saf., abstract).
func PurgeFloor(m material.Material) int64 {
	composition := strings.ToLower(strings.TrimSpace(m.Composition.Words()))
	if composition == "" {
		return PurgeGassingS
	}
	words := composition + " " + strings.ToLower(m.Name)
	for _, word := range []string{"unknown", "acryl", "pmma", "methacryl"} {
		if strings.Contains(words, word) {
			return PurgeGassingS
		}
	}
	return PurgeFloorS
}
