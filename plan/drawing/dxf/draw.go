package dxf

import (
	"fmt"
	"math"

	"kerfgate/plan/drawing"
)

// leaveOut counts what is never seen.
func (r *reader) leaveOut(i *item, why string) {
	r.notice(i.place(), "nothing to do if it is not to be cut", "an element "+why+" is left out")
}

// draw adds an item's shapes, or names what it does not draw.
func (r *reader) draw(i *item, at surround) error {
	if i.absent != "" {
		r.leaveOut(i, i.absent)
		return nil
	}
	on := i.layer
	if at.layer != nil && on.name == "0" {
		on = at.layer
	}
	// An insert on a layer that is switched off or not plotted still shows its parts on other layers;
	// a frozen one does not.
	if on.hidden != "" && (i.insert == nil || on.hidden == "frozen") {
		r.leaveOut(i, fmt.Sprintf("on the layer %q, which is %s,", on.name, on.hidden))
		return nil
	}
	colour := i.paint.over(on.colour, at.colour)
	pattern := i.pattern
	switch pattern {
	case "":
		pattern = on.pattern
	case "BYBLOCK":
		pattern = at.pattern
	}
	for _, m := range i.remarks {
		r.notice(i.place(), m.next, m.what)
	}
	if i.insert != nil {
		return r.copies(i, at, surround{layer: on, colour: colour, pattern: pattern})
	}
	if len(i.runs) == 0 {
		return nil
	}
	if r.gaps(pattern) {
		r.notice(i.place(), "draw the dashes as lines of their own", "a dashed line is taken as a whole line")
	}
	shape := drawing.Shape{Layer: on.name, Stroke: colour, Fill: "none", Place: i.place(), Paths: make([]drawing.Path, 0, len(i.runs))}
	low, high := math.Inf(1), math.Inf(-1)
	for n := range i.runs {
		path, err := r.flat(i, &i.runs[n], at.to, &low, &high)
		if err != nil {
			return err
		}
		shape.Paths = append(shape.Paths, path)
	}
	if high-low > 1e-6*max(math.Abs(high), math.Abs(low), 1) {
		r.notice(i.place(), "compare the shape with what is meant", i.kind+" does not lie flat and is taken as seen from above")
	}
	r.drawing.Shapes = append(r.drawing.Shapes, shape)
	return nil
}

// flat maps a run into the drawing and looks at it from above. low and high take up the heights.
func (r *reader) flat(i *item, one *run, to affine, low, high *float64) (drawing.Path, error) {
	path := drawing.Path{Closed: one.closed, Segments: make([]drawing.Segment, len(one.pieces))}
	if r.points += len(one.pieces) + 1; r.points > r.limits.Points {
		return path, r.tooManyPoints(i.place())
	}
	sound := true
	at := func(p vec3) drawing.Vec {
		if to != world {
			p = to.apply(p)
		}
		sound = sound && p.finite()
		*low, *high = min(*low, p.z), max(*high, p.z)
		return drawing.Vec{X: p.x, Y: p.y}
	}
	path.Start = at(one.start)
	from := path.Start
	r.box.point(from)
	for n := range one.pieces {
		p := &one.pieces[n]
		s := drawing.Segment{Curve: p.curve, To: at(p.to)}
		if p.curve {
			s.C1, s.C2 = at(p.c1), at(p.c2)
			r.box.cubic(from, s.C1, s.C2, s.To)
		}
		r.box.point(s.To)
		path.Segments[n] = s
		from = s.To
	}
	if !sound {
		return path, &drawing.Refusal{What: "a coordinate is infinite or not a number",
			Next: "correct this element and save the drawing again", Place: i.place()}
	}
	return path, nil
}
