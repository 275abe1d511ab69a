package api

import (
	"fmt"

	"kerfgate/api/web"
	"kerfgate/checklist"
	"kerfgate/db"
	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// placingView is what is left to place and how it is done on this machine.
func placingView(g db.Gate) *web.PlacingView {
	p, placed := g.Machine.Profile, g.Run.Placed()
	v := &web.PlacingView{Run: g.Run.ID.String(), Beam: p.HasBeam(), SupplyOff: placed.SupplyOff, Tool: g.Facts.Tool.Name, Fitted: placed.Fitted,
		Homed: placed.Homed, Traced: placed.Traced != nil && placed.Origin != nil && *placed.Traced == *placed.Origin,
		FocusAsk: g.Facts.Tool.Kind == machine.ToolBeam, Words: placed.Words(),
		Corners: []string{"near left", "near right", "far left", "far right"}}
	if len(p.Tools) > 1 {
		for _, t := range p.Tools {
			v.Tools = append(v.Tools, t.Name)
		}
	}
	for _, axis := range []struct {
		name string
		how  machine.Placing
	}{{"x", p.PlacingX}, {"y", p.PlacingY}} {
		v.Axes = append(v.Axes, axis.name+": "+placingWords(axis.how))
		if axis.how.How == machine.PlacingByHand {
			v.OnMark = append(v.OnMark, fmt.Sprintf("%s to its mark at %s mm", axis.name, web.Millimetres(axis.how.MarkUM)))
		}
	}
	if placed.FocusUM > 0 {
		v.Focus = web.Millimetres(placed.FocusUM)
	}
	if want, tolerance, ok := checklist.FocusWanted(g.Facts.Tool, g.Facts.Stock); ok {
		v.FocusWant = fmt.Sprintf("%s ± %s mm (%s mm of sheet and %s mm of focal distance)", web.Millimetres(want), web.Millimetres(tolerance),
			web.Millimetres(g.Facts.Stock.ThicknessUM), web.Millimetres(g.Facts.Tool.FocalDistanceUM))
	}
	for _, reason := range placed.Refuse(g.Facts) {
		v.Left = append(v.Left, web.Reason{What: reason.What, Next: reason.Next})
	}
	return v
}

func placingWords(how machine.Placing) string {
	switch how.How {
	case machine.PlacingMiddleOfSpan:
		return fmt.Sprintf("the middle of a measured span of %s ± %s mm", web.Millimetres(how.SpanUM), web.Millimetres(how.Tolerance()))
	case machine.PlacingByHand:
		return "placed by hand"
	}
	return "its end switch"
}

// drawBed adds what the plan says: the picture, and how long its outline takes as a person waits it.
func drawBed(v *web.PlacingView, p *plan.Plan, r db.Run, profile machine.Profile, sheet geom.Point) {
	bed := web.Bed{Stops: profile.HardStops, Travel: profile.TravelUM, Sheet: sheet, Outline: p.ToldAround(profile, p.Outline()), Traced: v.Traced}
	from := profile.TravelUM.Min
	if r.Placement != nil {
		bed.Origin = &r.Placement.Origin
		from = r.Placement.Origin
	}
	v.Bed = web.BedSVG(bed)
	around := make([]geom.Point, 0, len(bed.Outline))
	for _, corner := range bed.Outline {
		around = append(around, corner.Add(from))
	}
	v.Trace = web.Duration(max(1000, profile.TraceMS(from, around)))
}
