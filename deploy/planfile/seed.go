package planfile

import (
	"fmt"
	"strings"

	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Seeds of a beam, in millijoules for each millimetre of line. Own choices to begin a settings trial
// with, no limits: cutting takes about as much as grows with the thickness; marking and engraving lie
// within the 0.011 to 0.068 J/mm at which beech was engraved in print (BioResources 12 (2017) 7395).
const (
	seedCutMJPerMM    = 800 // for each mm of thickness
	seedMarkMJPerMM   = 50
	seedEngraveMJPerM = 30_000 // for each m
)

// seeds are settings to begin with where nobody has proven any. They name no evidence, so a material
// that is to be worked with care is refused with them.
func seeds(p machine.Profile, tool machine.Tool, stock material.Stock) []material.Setting {
	if tool.Kind == machine.ToolPen {
		speed := max(1, p.WorkSpeedUMPerS/2)
		return []material.Setting{
			{Operation: "draw", SpeedUMPerS: speed, PowerPermille: 1000, Passes: 1},
			{Operation: "mark", SpeedUMPerS: speed, PowerPermille: 1000, Passes: 1},
		}
	}
	return []material.Setting{
		seed("cut", p, tool, seedCutMJPerMM*max(100, stock.ThicknessUM)/1000),
		seed("mark", p, tool, seedMarkMJPerMM),
		seed("engrave", p, tool, seedEngraveMJPerM/1000),
	}
}

// seed finds speed and power for a line energy: full power as fast as it takes, and where that is
// over the machine's speed, less power if it has levels.
func seed(op string, p machine.Profile, tool machine.Tool, mjPerMM int64) material.Setting {
	s := material.Setting{Operation: op, PowerPermille: 1000, Passes: 1, KerfUM: tool.SpotUM}
	// mW / (mJ/mm) = mm/s
	s.SpeedUMPerS = tool.PowerMW * 1000 / max(1, mjPerMM)
	if most := p.WorkSpeedUMPerS; s.SpeedUMPerS > most {
		if tool.Switch.Levels && s.SpeedUMPerS > 0 {
			s.PowerPermille = max(1, 1000*most/s.SpeedUMPerS)
		}
		s.SpeedUMPerS = most
	}
	s.SpeedUMPerS = max(100, s.SpeedUMPerS)
	return s
}

// settingsText tells them in one line.
func settingsText(all []material.Setting) string {
	words := make([]string, 0, len(all))
	for _, s := range all {
		words = append(words, fmt.Sprintf("%s %s mm/s at %d ‰, %d×", s.Operation, mm(s.SpeedUMPerS), s.PowerPermille, s.Passes))
	}
	return strings.Join(words, "; ")
}
