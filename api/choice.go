package api

import (
	"math"

	"kerfgate/api/wire"
	"kerfgate/plan"
	"kerfgate/plan/engrave"
)

// choicesOf reads what was chosen besides operations; the planner judges it.
func choicesOf(body *wire.Choices) plan.Choices {
	var c plan.Choices
	if body == nil {
		return c
	}
	c.UnitUM, c.PictureWidthUM = chosenUM(body.UnitMm), chosenUM(body.PictureWidthMm)
	c.LinePitchUM = chosenUM(body.LinePitchMm)
	c.NoKerf = body.NoKerf != nil && *body.NoKerf
	c.RunInUM, c.OverlapUM = chosenUM(body.RunInMm), chosenUM(body.OverlapMm)
	c.LeastBridgeUM, c.JoinUM = chosenUM(body.LeastBridgeMm), chosenUM(body.JoinMm)
	c.Effort, c.Seed, c.SpreadPermille = whole(body.Effort), whole(body.Seed), whole(body.SpreadPermille)
	if t := body.Tabs; t != nil {
		c.Tabs = plan.Tabs{Count: whole(t.Count), SpacingUM: chosenUM(t.SpacingMm), WidthUM: chosenUM(t.WidthMm)}
	}
	if a := body.Array; a != nil {
		c.Array = plan.Array{Columns: whole(a.Columns), Rows: whole(a.Rows), GapUM: chosenUM(a.GapMm)}
	}
	if body.Halftones != nil && len(*body.Halftones) > 0 {
		c.Halftones = make(map[string]engrave.Halftone, len(*body.Halftones))
		for letter, h := range *body.Halftones {
			c.Halftones[letter] = engrave.Halftone(h)
		}
	}
	return c
}

// choicesShape leaves out what was not chosen.
func choicesShape(c plan.Choices) wire.Choices {
	out := wire.Choices{
		UnitMm: shownMM(c.UnitUM), PictureWidthMm: shownMM(c.PictureWidthUM),
		LinePitchMm: shownMM(c.LinePitchUM),
		RunInMm:     shownMM(c.RunInUM), OverlapMm: shownMM(c.OverlapUM),
		LeastBridgeMm: shownMM(c.LeastBridgeUM), JoinMm: shownMM(c.JoinUM),
		Effort: chosen(c.Effort), Seed: chosen(c.Seed), SpreadPermille: chosen(c.SpreadPermille),
	}
	if c.NoKerf {
		out.NoKerf = &c.NoKerf
	}
	if c.Tabs != (plan.Tabs{}) {
		out.Tabs = &wire.Tabs{Count: chosen(c.Tabs.Count), SpacingMm: shownMM(c.Tabs.SpacingUM), WidthMm: shownMM(c.Tabs.WidthUM)}
	}
	if c.Array != (plan.Array{}) {
		out.Array = &wire.Array{Columns: chosen(c.Array.Columns), Rows: chosen(c.Array.Rows), GapMm: shownMM(c.Array.GapUM)}
	}
	if len(c.Halftones) > 0 {
		all := make(map[string]string, len(c.Halftones))
		for letter, h := range c.Halftones {
			all[letter] = string(h)
		}
		out.Halftones = &all
	}
	return out
}

// chosenUM reads a length; one beyond all reason stays beyond every limit.
func chosenUM(v *float64) int64 {
	if v == nil {
		return 0
	}
	return int64(math.Round(min(1e12, max(-1e12, *v*1000))))
}

func shownMM(um int64) *float64 {
	if um == 0 {
		return nil
	}
	v := mm(um)
	return &v
}

func whole(v *int64) int64 {
	if v == nil {
		return 0
	}
	return *v
}

func chosen(v int64) *int64 {
	if v == 0 {
		return nil
	}
	return &v
}
