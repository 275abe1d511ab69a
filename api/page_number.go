package api

import (
	"fmt"
	"maps"
	"slices"

	"kerfgate/api/web"
	"kerfgate/checklist"
)

// numberViews draws what was computed behind a bar.
func numberViews(list []checklist.Number) []web.ComputedView {
	views := make([]web.ComputedView, 0, len(list))
	for _, n := range list {
		v := web.ComputedView{Title: web.Sentence(n.Title), Shown: n.Shown, WhyNot: n.WhyNot, Formula: n.Formula, Origin: n.Source, Notes: n.Notes}
		if n.Edition != "" {
			v.Origin += "; " + n.Edition
		}
		for _, name := range slices.Sorted(maps.Keys(n.Inputs)) {
			v.Inputs = append(v.Inputs, fmt.Sprintf("%s %v", name, n.Inputs[name]))
		}
		views = append(views, v)
	}
	return views
}
