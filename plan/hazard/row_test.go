package hazard

import (
	"math"
	"testing"

	"kerfgate/plan/hazard/rowtest"
)

const (
	cfm    = 1.699   // m³/h, from memory; its own row is U01
	fpm    = 0.00508 // m/s
	foot   = 0.3048  // m
	inWG   = 249.1   // Pa, from memory
	ft3    = foot * foot * foot
	ft2    = foot * foot
	pint   = 0.473176473 // l
	gallon = 8 * pint
)

// rounded403 is the temperature in °C at which a mole of gas fills what the factor 403 of American sheets
// takes it to: 403 ft³ of vapour from a pint of a liquid of 1 kg/l and 1 g/mol.
var rounded403 = 403*ft3*1000/(pint*1000)*molKelvin/molZeroL - molKelvin

// TestRows: every published row about air that was gathered, to the digits printed, with its source; and
// none of those that do not reproduce.
func TestRows(t *testing.T) {
	t.Parallel()
	minutes := func(changes, percent float64) func() (any, error) {
		return func() (any, error) {
			s, err := ClearingTime(1, changes, 1, 1-percent/100)
			return s / 60, err
		}
	}
	// in gives a result in another unit.
	in := func(unit float64, f func() (float64, error)) func() (any, error) {
		return func() (any, error) { v, err := f(); return v / unit, err }
	}
	mass := func(ppm, molar float64) func() (any, error) {
		return in(1, func() (float64, error) { return MGPerM3(ppm, molar) })
	}
	purge := func(mixing float64) func() (any, error) {
		return in(1, func() (float64, error) { return ClearingTime(0.06, 150, mixing, 0.001) })
	}
	circle := func(d float64) float64 { return math.Pi * d * d / 4 }
	slot := in(fpm, func() (float64, error) { return SlotVelocity(600*cfm, foot, foot, false) })
	rowtest.Hold(t, "air", rowtest.Read(t, "testdata/rows.tsv"), map[string]func() (any, error){
		"T01": minutes(1, 90), "T02": minutes(2, 99), "T03": minutes(4, 99), "T04": minutes(6, 99), "T06": minutes(8, 99.9), "T07": minutes(10, 99),
		"T09": minutes(12, 99), "T11": minutes(15, 99), "T12": minutes(20, 99), "T14": minutes(40, 90), "T16": minutes(1, 99), "T17": minutes(20, 99),

		"P01": in(60, func() (float64, error) { return ClearingTime(30_000*ft3, 6000*cfm, 1, 0.2) }),
		"P04": in(1, func() (float64, error) { return BuildUp(0, 60, 60, 100, 7*math.Ln2) }),
		"B01": in(1, func() (float64, error) { return BuildUp(10*cfm*1e6, 5000*cfm, 20_000*ft3, 10, 1) }),
		"B02": in(1, func() (float64, error) { return BuildUp(1.4*60*ft3*1e6, 2500*60*ft3, 75_000*ft3, 0, 11.0/60) }),

		"G01": in(cfm, func() (float64, error) {
			vapour, err := VapourFlow(0.5*pint*60*cfm/(60*ft3), 0.876, 78, rounded403)
			if err != nil {
				return 0, err
			}
			return DilutionFlow(vapour, 1, 2)
		}),
		"G03": in(60.0/1000, func() (float64, error) { return VapourFlow(3.0/8*gallon*0.4, 0.87, 92, 293-molKelvin) }),
		"G04": in(cfm, func() (float64, error) { return EffectiveFlow(100*cfm, 5) }),

		"A01": func() (any, error) { n, err := AirChanges(cfm, 20*15*10*ft3); return 6 / n, err },
		"A03": func() (any, error) { n, err := AirChanges(cfm, 100*ft3); return 3 / n, err },
		"A04": func() (any, error) { n, err := AirChanges(ft3, 20*foot*14*foot*12*foot); return 1 / n, err },

		"D01": in(cfm, func() (float64, error) { return OpeningFlow(10*fpm, circle(foot/2)) }),
		"D02": in(1, func() (float64, error) { return OpeningFlow(5, circle(0.2)) }),
		"D03": in(1, func() (float64, error) { return OpeningFlow(5, circle(0.3)) }),
		"D05": in(fpm, func() (float64, error) { return OpeningVelocity(1000*cfm, foot*8/12*foot) }),
		"D06": in(fpm, func() (float64, error) {
			q, err := OpeningFlow(200*fpm, circle(foot/2))
			if err != nil {
				return 0, err
			}
			return DuctVelocity(q, 1000*foot)
		}),
		"D08": in(fpm, func() (float64, error) { return VelocityOfPressure(4 * inWG) }),
		"D10": in(1, func() (float64, error) { return VelocityOfPressure(100) }),
		"D12": in(fpm, func() (float64, error) { return OpeningVelocity(2300*cfm, 21*ft2) }),

		"H01": slot,
		"H03": in(fpm, func() (float64, error) { return CaptureVelocity(600*cfm, foot, 0.25*ft2, false) }),
		"H05": in(cfm, func() (float64, error) { return CanopyFlow(16*foot, 200*fpm, foot) }),
		"H06": in(cfm, func() (float64, error) { return OpeningFlow(200*fpm, 9*ft2) }),
		"H08": in(fpm, func() (float64, error) { return CaptureVelocity(400*cfm, 2*foot, 4*ft2, true) }),

		"U01": func() (any, error) { return ft3 * 60, nil },
		"U03": func() (any, error) { return foot / 60, nil },

		"C01": mass(35, 28.01), "C03": mass(100, 100.12), "C04": mass(50, 104.15), "C04 ACGIH": mass(50, 104.15), "C06": mass(1, 36.46), "C07": mass(4.7, 27.03),

		"F01": in(cfm, func() (float64, error) { return FanFlow(400*cfm, 1000, 3000) }),

		"R1": in(1, func() (float64, error) { return BuildUp(0.3*cfm*1e6, 8000*cfm, 20_000*ft3, 0, 0.25) }),
		"R2": in(3600, func() (float64, error) {
			v, err := VelocityOfPressure(3600)
			if err != nil {
				return 0, err
			}
			return OpeningFlow(0.98*v, 0.196*ft2)
		}),
		"R3": slot,
		"R4": minutes(13, 99.9),
		"R5": in(3600, func() (float64, error) { return ClearingTime(1000, 0.2*2*1000, 1, 500.0/1100) }),
		"R5 outside": in(3600, func() (float64, error) {
			return ClearingTime(1000, 0.2*2*1000, 1, (500.0-400)/(1100-400))
		}),
		"R6":     in(cfm, func() (float64, error) { return OpeningFlow(5*fpm, 2*ft2) }),
		"R6 ppm": func() (any, error) { one, err := MGPerM3(1, 78); return 10 / one, err },
		"R7": func() (any, error) { // what is left of the inlet's velocity pressure: p = (v/1.29)²
			v, err := VelocityOfPressure(inWG)
			return 10 - (-5) - math.Pow(v/1.29, 2)/inWG, err
		},
		"R8": mass(50, 28.01), "R8 HCl": mass(5, 36.46),

		"own 1": purge(1), "own 3": purge(3), "own 10": purge(10),
		"own 100 mm":     in(1, func() (float64, error) { return DuctVelocity(150, 100) }),
		"own 125 mm":     in(1, func() (float64, error) { return DuctVelocity(150, 125) }),
		"own 150 mm":     in(1, func() (float64, error) { return DuctVelocity(400*cfm, 150) }),
		"own PM2.5 low":  in(1, func() (float64, error) { return Steady(7.275*60, 150, 1) }),
		"own PM2.5 high": in(1, func() (float64, error) { return Steady(18.783*60, 150, 1) }),
		"own slots":      in(1, func() (float64, error) { return OpeningVelocity(150, 0.05) }),
	})
}
