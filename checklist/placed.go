package checklist

import (
	"fmt"
	"strings"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Placed is how a sheet was placed for one run.
type Placed struct {
	Origin *geom.Point // nil: not set
	Homed  bool
	Traced *geom.Point // the origin around which the outline was last traced; nil: not traced
	// FocusUM is the height of the tool above the bed that a person read, in micrometres; 0: not set.
	FocusUM int64
	Fitted  string // the tool that a person said hangs on the carriage; empty: not said
	// SupplyOff: the beam's supply was said to be off, and not switched on since.
	SupplyOff bool
}

// focusToleranceUM is how far a focus may be off where the profile says nothing: this project's own figure.
const focusToleranceUM = 500

// FocusWanted is the height at which a tool is in focus over a sheet, and how far it may be off, in
// micrometres: the sheet's thickness and the tool's focal distance. ok is false where the profile has no
// focal distance.
func FocusWanted(tool machine.Tool, stock material.Stock) (wantUM, toleranceUM int64, ok bool) {
	if tool.Kind != machine.ToolBeam || tool.FocalDistanceUM <= 0 {
		return 0, 0, false
	}
	toleranceUM = tool.FocusToleranceUM
	if toleranceUM <= 0 {
		toleranceUM = focusToleranceUM
	}
	return stock.ThicknessUM + tool.FocalDistanceUM, toleranceUM + stock.ToleranceUM, true
}

// FocusReason says why a height is no focus here.
func FocusReason(heightUM int64, f Facts) (Reason, bool) {
	want, tolerance, ok := FocusWanted(f.Tool, f.Stock)
	if off := heightUM - want; !ok || off <= tolerance && -off <= tolerance {
		return Reason{}, true
	}
	return Reason{What: fmt.Sprintf("focus at %s mm: %s mm of sheet and %s mm of focal distance make %s ± %s mm", thousandths(heightUM),
		thousandths(f.Stock.ThicknessUM), thousandths(f.Tool.FocalDistanceUM), thousandths(want), thousandths(tolerance)),
		Next: "set the height again with the gauge on the sheet, read it, and type what you read"}, false
}

// MayMove lists why nothing may be moved before the signature: hands are at the bed, so the beam's
// supply has to be off first.
func (p Placed) MayMove(profile machine.Profile) []Reason {
	if !profile.HasBeam() || p.SupplyOff {
		return nil
	}
	return []Reason{{What: "the beam's supply was not said to be off", Next: "switch it off before the sheet is loaded, then say so", Kind: BecauseNotYet}}
}

// Refuse lists what of the placing still says no to the signature.
func (p Placed) Refuse(f Facts) []Reason {
	var no []Reason
	say := func(what, next string) { no = append(no, Reason{What: what, Next: next, Kind: BecauseNotYet}) }
	if !p.Homed || p.Origin == nil {
		say("the sheet is not placed", "home the machine and set the origin")
	}
	if len(f.Profile.Tools) > 1 && p.Fitted != f.Tool.Name {
		if p.Fitted == "" {
			say("nobody said that the "+f.Tool.Name+" is on the carriage", "look at the carriage, change the tool if need be, then say so")
		} else {
			say("the "+p.Fitted+" is on the carriage, the plan is for the "+f.Tool.Name, "change the tool with the supply off, then say so")
		}
	}
	if _, _, asked := FocusWanted(f.Tool, f.Stock); asked && p.FocusUM == 0 {
		say("the focus is not set", "set the tool's height over the sheet and type it")
	} else if reason, ok := FocusReason(p.FocusUM, f); !ok && asked {
		no = append(no, reason)
	}
	if p.Traced != nil && p.Origin != nil && *p.Traced != *p.Origin {
		say("the origin moved after the outline was traced", "trace the outline again")
	}
	return no
}

// Words tell a placing in one line, as the sign-off shows it; they are read before every signature and are few.
func (p Placed) Words() string {
	var measures, parts []string
	if p.Origin != nil {
		measures = append(measures, fmt.Sprintf("origin x %s, y %s", thousandths(p.Origin.X), thousandths(p.Origin.Y)))
	}
	if p.FocusUM > 0 {
		measures = append(measures, "focus "+thousandths(p.FocusUM))
	}
	if len(measures) > 0 {
		parts = append(parts, strings.Join(measures, ", ")+" mm")
	}
	if p.Traced != nil && p.Origin != nil && *p.Traced == *p.Origin {
		parts = append(parts, "traced")
	} else {
		parts = append(parts, "not traced")
	}
	if p.Fitted != "" {
		parts = append(parts, p.Fitted+" on the carriage")
	}
	return strings.Join(parts, "; ")
}

// ShownPlacement is the key under which a sign-off keeps the words of its placing.
const ShownPlacement = "placement"
