package hazard

import (
	"kerfgate/plan/hazard/optics"
	"kerfgate/plan/machine"
)

// BeamOf is a tool's beam as the profile describes it: full power whatever a job sets, widths as a data
// sheet gives them, a cross-section that nobody measured. What the profile lacks stays zero, and the
// quantities that need it are refused.
func BeamOf(tool machine.Tool) optics.Beam {
	return optics.Beam{
		WavelengthNM:   float64(tool.WavelengthNM),
		MaxPowerW:      float64(tool.PowerMW) / 1e3,
		DiameterMM:     float64(tool.BeamUM) / 1e3,
		DivergenceMrad: float64(tool.DivergenceURad) / 1e3,
		WidthAt:        optics.WidthE2,
		Profile:        optics.ProfileUnknown,
	}
}
