package checklist

import (
	"strings"

	"kerfgate/plan/hazard/quantity"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Number is one quantity behind a bar, as people see it and as a sign-off binds it.
type Number struct {
	Title   string   // what it is
	Shown   string   // rounded to the side of caution, with its unit; empty where there is none
	Value   *float64 // unrounded, in Unit; nil where it is no finite number
	Unit    string
	WhyNot  string // why there is none, with what to do
	Inputs  map[string]any
	Formula string
	Source  string
	Edition string
	Notes   []string
	Caution string
}

// Numbers are what was computed for an item: from the profile's source and air, never from a job's
// setting. What the profile lacks values for is left out.
func Numbers(item string, f Facts) []Number {
	about := map[string]quantity.About{ItemEyewear: quantity.AboutEyes, ItemVentilation: quantity.AboutAir}[item]
	if about == "" {
		return nil
	}
	return numbersOf(f.Profile, f.Tool, quantity.Measures{Composition: f.Material.Composition.Words(), FilterRanHours: f.Circumstances.FilterRan.Hours()},
		func(row quantity.Row) bool { return row.About == about })
}

// PlanNumbers are what is computed for a plan on a machine before anybody stands at it: the same but for
// what hangs on the day, as the hours that a filter has left.
func PlanNumbers(p machine.Profile, tool machine.Tool, m material.Material) []Number {
	return numbersOf(p, tool, quantity.Measures{Composition: m.Composition.Words()}, func(row quantity.Row) bool { return row.Quantity != "filter_left" })
}

func numbersOf(p machine.Profile, tool machine.Tool, more quantity.Measures, wanted func(quantity.Row) bool) []Number {
	rows, _ := quantity.OfMachine(p, tool, more)
	var list []Number
	for _, row := range rows {
		if wanted(row) && len(row.Missing) == 0 {
			list = append(list, numberOf(row))
		}
	}
	return list
}

func numberOf(row quantity.Row) Number {
	if row.Refused != nil {
		return Number{Title: row.Title, WhyNot: row.Refused.Error(), Caution: quantity.Caution}
	}
	r := row.Result
	return Number{Title: row.Title, Shown: strings.TrimSpace(r.Shown + " " + r.Unit), Value: r.Value, Unit: r.Unit, Inputs: r.Inputs, Formula: r.Formula,
		Source: r.Source, Edition: r.Edition, Notes: r.Notes, Caution: r.Caution}
}

// Expected is the concentration that the fume of a plan comes to in the exhaust: an estimate for the person
// in charge alone, never a bar and never a proof. fumeUG is nil where nobody knows the mass; onMS is how long
// the tool works. ok is false for a tool that makes no smoke.
func Expected(p machine.Profile, tool machine.Tool, fumeUG *int64, onMS int64) (n Number, ok bool) {
	row, ok := quantity.Expected(p, tool, fumeUG, onMS)
	if !ok {
		return Number{}, false
	}
	return numberOrMissing(row), true
}

// numberOrMissing is a number, or what is missing for it.
func numberOrMissing(row quantity.Row) Number {
	if len(row.Missing) > 0 {
		return Number{Title: row.Title, WhyNot: "missing: " + strings.Join(row.Missing, "; "), Caution: quantity.Caution}
	}
	return numberOf(row)
}

// Line is the number as a sign-off binds it: whatever of it changes afterwards voids the sign-off (I10).
func (n Number) Line() string {
	if n.WhyNot != "" {
		return n.Title + ": none, " + n.WhyNot
	}
	origin := n.Source
	if n.Edition != "" {
		origin += ", " + n.Edition
	}
	return n.Title + ": " + n.Shown + " (" + n.Formula + "; " + origin + ")"
}
