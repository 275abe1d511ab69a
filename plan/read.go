package plan

import (
	"errors"
	"fmt"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
	"kerfgate/plan/drawing/raster"
	"kerfgate/plan/drawing/svg"
)

// read reads the drawing by what its content is; nil means that it was refused.
func (m *maker) read() *drawing.Drawing {
	format, reason, ok := FormatOf(m.req.Drawing)
	if !ok {
		m.refuse(reason)
		return nil
	}
	var d *drawing.Drawing
	var err error
	limits, choices := drawing.Limits{Points: mostLinePoints}, m.req.Choices
	switch format {
	case SVG:
		d, err = svg.Read(m.req.Drawing, limits)
	case DXF:
		d, err = dxf.Read(m.req.Drawing, dxf.Choices{UnitMM: float64(choices.UnitUM) / 1000}, limits)
	case Raster:
		d, err = raster.Read(m.req.Drawing, raster.Choices{WidthMM: float64(choices.PictureWidthUM) / 1000}, limits)
	}
	var refusal *drawing.Refusal
	if errors.As(err, &refusal) {
		m.refuse(reasonOf(refusal))
		return nil
	} else if err != nil {
		m.refuse(Reason{What: err.Error(), Next: "hand in another drawing", Field: "drawing"})
		return nil
	}
	for _, n := range d.Notices {
		what := n.What
		if n.Count > 1 {
			what = fmt.Sprintf("%s (%d times)", what, n.Count)
		}
		m.warn(what, n.Place, n.Next)
	}
	return d
}

// asked are the choices by which a reader's question is answered.
var asked = map[string]string{"unit": "choices.unit", "width": "choices.picture_width"}

func reasonOf(r *drawing.Refusal) Reason {
	what := r.What
	if r.Place != "" {
		what += " (" + r.Place + ")"
	}
	field, ok := asked[r.Asks]
	if !ok {
		field = "drawing"
	}
	return Reason{What: what, Next: r.Next, Field: field, Limit: r.Limit, Value: r.Value}
}
