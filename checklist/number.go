package checklist

import (
	"strings"

	"kerfgate/plan/hazard/quantity"
)

// Number is one quantity behind a bar, as people see it and as a sign-off binds it.
type Number struct {
	Title   string // what it is
	Shown   string // rounded to the side of caution, with its unit; empty where there is none
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
	rows, _ := quantity.OfMachine(f.Profile, f.Tool, quantity.Measures{Composition: f.Material.Composition.Words(), FilterRanHours: f.Circumstances.FilterRan.Hours()})
	var list []Number
	for _, row := range rows {
		if row.About != about {
			continue
		}
		switch r := row.Result; {
		case r != nil:
			list = append(list, Number{Title: row.Title, Shown: strings.TrimSpace(r.Shown + " " + r.Unit), Inputs: r.Inputs, Formula: r.Formula,
				Source: r.Source, Edition: r.Edition, Notes: r.Notes, Caution: r.Caution})
		case row.Refused != nil:
			list = append(list, Number{Title: row.Title, WhyNot: row.Refused.Error(), Caution: quantity.Caution})
		}
	}
	return list
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
