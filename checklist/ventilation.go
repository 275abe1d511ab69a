package checklist

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"kerfgate/plan/machine"
)

// minimumFlowPercent of the commissioned reading must be there before a run, and under
// lockoutFlowPercent the machine should be locked out: the project's own figures.
const (
	minimumFlowPercent = 80
	lockoutFlowPercent = 60
)

// confirmField is asked where a reading would lock the machine out: a slip of the finger must not take
// a machine out of use, and a person in a hurry must see what the answer does. It stands in no list.
var confirmField = Field{Key: "shown", Title: "this is what the gauge shows", Kind: FieldYes}

// drawnField is asked where no enclosure holds the smoke, so that no purge can be computed: then only eyes
// tell whether it is drawn off. It stands in no list.
var drawnField = Field{Key: "drawn", Title: "outdoor fan or hood seen drawing the smoke", Kind: FieldYes}

// flowMonths is how long a measured flow holds: the project's own figure. (HSE's guidance has extraction
// examined thoroughly every 14 months.)
const flowMonths = 12

// askedOfAir gives the item its questions: a gauge where one was commissioned, the smoke itself where
// nothing encloses it, and whether it is no slip where the reading would lock the machine out.
func askedOfAir(item Item, given Values, f Facts) Item {
	fields := slices.Clone(item.Fields)
	if f.Profile.Enclosure.Kind != machine.EnclosureLidded {
		if f.Profile.Air.CommissionedPa <= 0 {
			fields = slices.DeleteFunc(fields, func(x Field) bool { return x.Key == "reading" })
		}
		fields = append(fields, drawnField)
	}
	if underLockout(given["reading"], f.Profile) {
		fields = append(fields, confirmField)
	}
	item.Fields = fields
	return item
}

// ventilationNeeds says what the extraction must show, with unit and origin.
func ventilationNeeds(f Facts) string {
	air := f.Profile.Air
	var parts []string
	if air.CommissionedPa > 0 || f.Profile.Enclosure.Kind == machine.EnclosureLidded {
		percent := max(air.MinimumFlowPercent, minimumFlowPercent)
		parts = append(parts, fmt.Sprintf("≥ %d Pa (%d %% of %d Pa commissioned; own figure)", MinimumFlowPa(f.Profile), percent, air.CommissionedPa))
	}
	if f.Profile.Enclosure.Kind != machine.EnclosureLidded {
		parts = append(parts, "smoke seen drawn off; no purge is computed without an enclosure")
	} else if on, err := time.Parse(time.DateOnly, air.MeasuredOn); err == nil && air.MeasuredFlowM3PerH > 0 {
		parts = append(parts, fmt.Sprintf("flow %d m³/h measured %s", air.MeasuredFlowM3PerH, on.Format("2 Jan 2006")))
	}
	return strings.Join(parts, "; ")
}

// ventilationProblem judges the reading, what the purge is computed from, and the filter.
func ventilationProblem(v Values, f Facts) (what, next string) {
	lidded := f.Profile.Enclosure.Kind == machine.EnclosureLidded
	if _, asked := v["reading"]; asked || lidded {
		if what, next = flowProblem(v["reading"], f.Profile); what != "" {
			return what, next
		}
	}
	if lidded {
		if what, next = measuredProblem(f.Profile.Air, f.Today); what != "" {
			return what, next
		}
	}
	if hours := f.Profile.Air.FilterHours; hours > 0 && f.Circumstances.FilterRan >= time.Duration(hours)*time.Hour {
		return fmt.Sprintf("the filter has run %d h, its maker gives it %d h", int64(f.Circumstances.FilterRan/time.Hour), hours),
			"change the filter, and have the safety officer enter the day in the profile"
	}
	return "", ""
}

// measuredProblem says why the flow that the purge is computed from cannot be relied on.
func measuredProblem(air machine.Air, today time.Time) (what, next string) {
	const measure = "have the safety officer measure the flow in the duct and commission it"
	switch on, err := time.Parse(time.DateOnly, air.MeasuredOn); {
	case air.Recirculates:
		return "the filter gives the air back to the room, which counts as no outside air", "lead the exhaust outside, then " + measure
	case air.MeasuredFlowM3PerH <= 0:
		return "no flow was ever measured, so no purge can be relied on", measure
	case err != nil:
		return "nobody knows when the flow was measured", measure
	case on.After(today.AddDate(0, 0, 1)):
		return "the flow is said to have been measured in the future", measure
	case on.AddDate(0, flowMonths, 0).Before(today):
		return fmt.Sprintf("the flow was measured on %s, over %d months ago", on.Format("2 Jan 2006"), flowMonths), measure
	}
	return "", ""
}

// MinimumFlowPa is the least reading before a run: 80 % of the commissioned value unless the
// profile asks for more; zero where the machine has no commissioned value.
func MinimumFlowPa(p machine.Profile) int64 {
	percent := max(p.Air.MinimumFlowPercent, minimumFlowPercent)
	return (p.Air.CommissionedPa*percent + 99) / 100
}

func flowProblem(text string, p machine.Profile) (what, next string) {
	if p.Air.CommissionedPa <= 0 {
		return "the extraction was never commissioned, so no reading can be compared",
			"ask the safety officer to measure it and enter it in the profile"
	}
	pa, ok := gaugePa(text)
	if !ok {
		return fmt.Sprintf("%.20q is not a reading in Pa", text), "read the gauge and type the number"
	}
	if least := MinimumFlowPa(p); pa < least {
		next = "clean filter and duct or open the damper, then read again"
		if underLockout(text, p) {
			next = "the machine is locked out, since this is under 60 % of the commissioned reading; tell the safety officer"
		}
		return fmt.Sprintf("%d Pa is under %d Pa", pa, least), next
	}
	return "", ""
}

func gaugePa(text string) (pa int64, ok bool) {
	pa, err := decimal(text, 0)
	return pa, err == nil && pa >= 0 && pa <= 100_000
}

// confirmAsk asks it with the figures.
func confirmAsk(reading string, p machine.Profile) string {
	return fmt.Sprintf("%s Pa is under %d %% of the commissioned %d Pa and locks the machine out: is this what the gauge shows?",
		reading, lockoutFlowPercent, p.Air.CommissionedPa)
}

// underLockout says whether the gauge was read so low that the machine should not be used at all.
func underLockout(text string, p machine.Profile) bool {
	pa, ok := gaugePa(text)
	return ok && pa*100 < p.Air.CommissionedPa*lockoutFlowPercent
}
