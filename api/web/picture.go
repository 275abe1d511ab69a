package web

import (
	"html/template"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// PlanSVG draws a plan on its sheet for a page; id is unique on it.
func PlanSVG(p *plan.Plan, id string) template.HTML {
	return template.HTML(plan.Picture(p, id))
}

// StripSVG draws what comes loose in its order; empty where nothing does. id is unique on the page.
func StripSVG(p *plan.Plan, id string) template.HTML {
	if len(p.Pieces) == 0 {
		return ""
	}
	return template.HTML(plan.Strip(p, id))
}

// PlacedSVG draws a plan where it lies on the machine's bed, with its origin at the given point in
// machine coordinates; id is unique on the page.
func PlacedSVG(p *plan.Plan, id string, profile machine.Profile, origin geom.Point) template.HTML {
	return template.HTML(plan.PicturePlaced(p, id, profile, origin))
}

// Legend explains the lines that a plan's picture has.
func Legend(p *plan.Plan) []LegendView {
	has := map[plan.Operation]bool{}
	for _, s := range p.Strokes {
		has[s.Operation] = true
	}
	var all []LegendView
	for _, op := range []plan.Operation{plan.Cut, plan.Mark, plan.Engrave, plan.Draw} {
		if has[op] {
			all = append(all, LegendView{Operation: string(op), Words: string(op)})
		}
	}
	off := "travel, beam off"
	if p.ToolKind == machine.ToolPen {
		off = "travel, pen up"
	}
	all = append(all, LegendView{Operation: "travel", Words: off})
	pieces, drops := false, false
	for _, piece := range p.Pieces {
		pieces, drops = pieces || !piece.Dropout, drops || piece.Dropout
	}
	if pieces {
		all = append(all, LegendView{Operation: "piece", Words: "piece, comes loose"})
	}
	if drops {
		all = append(all, LegendView{Operation: "drop-out", Words: "drop-out, falls as waste"})
	}
	if len(p.Hot) > 0 {
		all = append(all, LegendView{Operation: "hot-spot", Words: "hot spot, look there for scorching"})
	}
	return all
}

// PieceWords counts what comes loose: "1 piece, 2 drop-outs".
func PieceWords(p *plan.Plan) string {
	pieces, drops := 0, 0
	for _, piece := range p.Pieces {
		if piece.Dropout {
			drops++
		} else {
			pieces++
		}
	}
	if pieces+drops == 0 {
		return "nothing comes loose"
	}
	text := Count(pieces, "piece", "pieces")
	if drops > 0 {
		text += ", " + Count(drops, "drop-out", "drop-outs")
	}
	return text
}
