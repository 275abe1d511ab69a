package dxf

import (
	"fmt"
	"math"
	"slices"
)

// item is one entity as it is kept: of a block until it is inserted, else until it is drawn.
type item struct {
	kind, handle string
	line         int
	layer        *layer
	pattern      string // line type in upper case; "" is the layer's
	paint        paint
	absent       string  // why it is never seen: "in paper space", "invisible"
	runs         []run   // in the coordinates of the block or the drawing
	insert       *insert // of an INSERT
	remarks      []remark
}

// remark names what of an entity does not become lines.
type remark struct{ what, next string }

func (i *item) remark(next, format string, args ...any) {
	i.remarks = append(i.remarks, remark{what: fmt.Sprintf(format, args...), next: next})
}

func (i *item) place() string { return placeOf(i.kind, i.handle, i.line) }

// readEntities draws what the ENTITIES section holds.
func (r *reader) readEntities() error {
	return r.eachItem(func(i *item) error { return r.draw(i, top()) })
}

// eachItem calls take for every entity up to the section's end.
func (r *reader) eachItem(take func(*item) error) error {
	return r.eachRecord(func(e *record) error {
		if e.kind == "SEQEND" {
			return nil
		}
		i, err := r.build(e)
		if err != nil || i == nil {
			return err
		}
		return take(i)
	})
}

// build makes an item of a record; a POLYLINE's corners are read along. It gives nil where the file ends
// inside the entity.
func (r *reader) build(e *record) (*item, error) {
	r.elements++
	if r.elements > r.limits.Elements {
		return nil, r.tooManyElements(e.place())
	}
	i := &item{
		kind: e.kind, handle: e.handle, line: e.line, layer: r.layerOf(e.layer), pattern: r.patternName(e.pattern), paint: e.paint,
	}
	switch {
	case e.get(67, 0) != 0:
		i.absent = "in paper space"
	case e.get(60, 0) != 0:
		i.absent = "invisible"
	}
	switch e.kind {
	case "LINE":
		i.oneLine(e)
	case "CIRCLE":
		i.circle(e)
	case "ARC":
		i.arc(e)
	case "ELLIPSE":
		i.ellipse(e)
	case "LWPOLYLINE":
		if err := r.lightPolyline(i, e); err != nil {
			return nil, err
		}
	case "POLYLINE":
		complete, err := r.polyline(i, e)
		if err != nil || !complete {
			return nil, err
		}
	case "SPLINE":
		if err := r.spline(i, e); err != nil {
			return nil, err
		}
	case "INSERT":
		i.insert = r.insertOf(i, e)
		if r.clips.clipped(e.handle) {
			i.remark(clipNext, clipWhat)
		}
	default:
		i.remark(nextFor(e.kind), "%s is not read: it does not become lines", e.kind)
	}
	if err := r.count(i); err != nil {
		return nil, err
	}
	i.runs = slices.DeleteFunc(i.runs, func(one run) bool { return len(one.pieces) == 0 })
	if len(i.runs) == 0 && i.insert == nil && len(i.remarks) == 0 {
		i.remark("delete it", "%s without size is left out", i.kind)
	}
	return i, nil
}

// count bounds the points of all entities as they are built, those of blocks included.
func (r *reader) count(i *item) error {
	for n := range i.runs {
		r.built += len(i.runs[n].pieces) + 1
	}
	if r.built > r.limits.Points {
		return r.tooManyPoints(i.place())
	}
	return nil
}

// nextFor says what to do about an entity that is not read.
func nextFor(kind string) string {
	switch kind {
	case "TEXT", "MTEXT", "ATTRIB", "ATTDEF", "RTEXT", "ARCALIGNEDTEXT":
		return "turn the text into polylines in the drawing program"
	case "DIMENSION", "ARC_DIMENSION", "LARGE_RADIAL_DIMENSION", "LEADER", "MULTILEADER", "MLEADER", "TOLERANCE":
		return "nothing to do if it only explains the drawing; else divide it into lines"
	case "HATCH", "MPOLYGON":
		return "draw the outline, and the strokes if they are meant, as polylines"
	case "SOLID", "TRACE", "3DFACE", "REGION", "MLINE", "WIPEOUT":
		return "draw its outline as a polyline"
	case "IMAGE", "OLEFRAME", "OLE2FRAME", "PDFUNDERLAY", "DGNUNDERLAY", "DWFUNDERLAY":
		return "hand the picture in by itself, or trace it into lines"
	case "POINT":
		return "draw a small circle if a hole is meant; else delete it"
	case "XLINE", "RAY":
		return "draw a line that ends; else delete it"
	}
	return "divide it into lines, arcs and polylines in the drawing program, or delete it"
}

func (i *item) incomplete() {
	i.remark("draw it again", "%s lacks some of its numbers and is left out", i.kind)
}

// stand lifts the item out of the plane that faces the normal into the drawing's space.
func (i *item) stand(normal vec3) {
	m, ok := facing(normal)
	if !ok {
		i.remark("draw it again", "the direction that %s faces is no direction; it is taken as lying flat", i.kind)
	}
	if m != world {
		for n := range i.runs {
			i.runs[n].mapped(m)
		}
	}
}

func (i *item) oneLine(e *record) {
	if !e.whole(10, 20, 11, 21) {
		i.incomplete()
		return
	}
	one := run{start: e.at(10)}
	if to := e.at(11); to != one.start {
		one.line(to)
	}
	i.runs = []run{one}
}

func (i *item) circle(e *record) {
	radius := e.get(40, 0)
	switch {
	case !e.whole(10, 20, 40):
		i.incomplete()
	case radius > 0:
		i.runs = []run{arc(e.at(10), vec3{x: radius}, vec3{y: radius}, 0, 360)}
		i.stand(e.normal())
	}
}

func (i *item) arc(e *record) {
	radius := e.get(40, 0)
	switch {
	case !e.whole(10, 20, 40, 50, 51):
		i.incomplete()
	case radius > 0:
		from := e.get(50, 0)
		i.runs = []run{arc(e.at(10), vec3{x: radius}, vec3{y: radius}, from, sweep(from, e.get(51, 0)))}
		i.stand(e.normal())
	}
}

// sweep is the counterclockwise way between two angles in degrees: above 0, at most 360. What is within
// a billionth of a degree of the whole turn is the whole turn.
func sweep(from, to float64) float64 {
	s := math.Mod(to-from, 360)
	if s < 0 {
		s += 360
	}
	if s < 1e-9 || s > 360-1e-9 {
		return 360
	}
	return s
}

// ellipse: centre and major axis are of the drawing's space, not of the entity's plane; the angles are
// parameters in radians, so that the major axis's end is 0.
func (i *item) ellipse(e *record) {
	if !e.whole(10, 20, 11, 21, 40) {
		i.incomplete()
		return
	}
	normal, ok := e.normal().unit()
	if !ok {
		normal = vec3{z: 1}
		i.remark("draw it again", "the direction that %s faces is no direction; it is taken as lying flat", i.kind)
	}
	major := e.at(11)
	minor := normal.cross(major).times(e.get(40, 0))
	if major.length() == 0 || minor.length() == 0 {
		return
	}
	from := e.get(41, 0) * (180 / math.Pi)
	to := e.get(42, 2*math.Pi) * (180 / math.Pi)
	i.runs = []run{arc(e.at(10), major, minor, from, sweep(from, to))}
}
