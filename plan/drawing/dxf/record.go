package dxf

import (
	"strconv"
)

// record is what is read of one entity or table entry: everything from a group 0 to the next.
type record struct {
	kind    string
	line    int
	handle  string
	name    []byte // group 2
	layer   []byte
	pattern []byte // group 6, the line type; nil is as the layer
	paint   paint
	values  [slots]float64 // of the groups 10 to 79 and of the ones that slot names; the last one counts
	has     [slots]bool
	lists   lists
}

// lists are the groups that may come many times, of the two entities where they do.
type lists struct {
	corners []vertex // LWPOLYLINE
	wide    bool     // LWPOLYLINE: a width
	xs, ys  int      // groups that begin a point, and that give its y
	points  []vec3   // SPLINE: control points
	fits    []vec3   // SPLINE: fit points
	knots   []float64
	weights []float64
}

// slots is how many values a record keeps.
const slots = 75

// slot gives the place of a group's value in a record; -1 is not kept.
func slot(code int) int {
	switch {
	case code >= 10 && code < 80:
		return code - 10
	case code == 210 || code == 220 || code == 230:
		return 70 + (code-210)/10
	case code == 290:
		return 73
	case code == 90:
		return 74
	}
	return -1
}

// get is the value of a group, or what holds where the file has none.
func (e *record) get(code int, missing float64) float64 {
	if i := slot(code); e.has[i] {
		return e.values[i]
	}
	return missing
}

// flags is the value of a group as a set of bits.
func (e *record) flags(code int) int {
	v := e.get(code, 0)
	if v < -1<<31 || v > 1<<31 {
		return 0
	}
	return int(v)
}

// whole says whether all these groups are there.
func (e *record) whole(codes ...int) bool {
	for _, c := range codes {
		if !e.has[slot(c)] {
			return false
		}
	}
	return true
}

// at is the point whose x is the group code: y and z follow 10 and 20 above it.
func (e *record) at(code int) vec3 {
	return vec3{e.get(code, 0), e.get(code+10, 0), e.get(code+20, 0)}
}

// normal is the direction that the entity's own plane faces.
func (e *record) normal() vec3 { return vec3{e.get(210, 0), e.get(220, 0), e.get(230, 1)} }

func (e *record) place() string { return placeOf(e.kind, e.handle, e.line) }

func placeOf(kind, handle string, line int) string {
	if handle != "" {
		kind += ", handle " + handle
	}
	return kind + ", line " + strconv.Itoa(line)
}

// numeric says of which kinds the numbers are read; the others' are passed by.
func numeric(kind string) bool {
	switch kind {
	case "LINE", "ARC", "CIRCLE", "ELLIPSE", "LWPOLYLINE", "POLYLINE", "VERTEX", "SPLINE", "INSERT", "BLOCK",
		"LAYER", "LTYPE":
		return true
	}
	return false
}

// readRecord reads the record that begins with g, up to the next group 0. complete is false where the
// file ends inside it.
func (r *reader) readRecord(g group) (e *record, complete bool, err error) {
	e = &r.record
	kind := r.kindOf(g.value)
	*e = record{kind: kind, line: g.line, paint: paint{index: byLayer, whole: -1}, lists: lists{
		corners: e.lists.corners[:0], points: e.lists.points[:0], fits: e.lists.fits[:0],
		knots: e.lists.knots[:0], weights: e.lists.weights[:0],
	}}
	keeps := numeric(kind)
	embedded, braces := false, 0
	for {
		g, ok, err := r.scan.next()
		if err != nil || !ok {
			return e, r.scan.ended, err
		}
		if g.code == 0 {
			r.scan.unread()
			return e, true, nil
		}
		switch {
		case g.code == 101:
			embedded = true // an object inside the entity, with groups of its own
		case g.code == 102:
			braces = 0
			if len(g.value) > 0 && g.value[0] == '{' {
				braces = 1 // notes of applications
			}
		case embedded || braces > 0 || g.code >= 1000:
		default:
			if err := r.keep(e, g, keeps); err != nil {
				return e, false, err
			}
		}
	}
}

// keep stores one group of a record.
func (r *reader) keep(e *record, g group, numbers bool) error {
	switch g.code {
	case 2:
		e.name = g.value
	case 5:
		e.handle = handle(g.value)
	case 6:
		e.pattern = g.value
	case 8:
		e.layer = g.value
	case 62, 420:
		v, err := g.integer()
		if g.code == 62 {
			e.paint.index = v
		} else if err == nil && v >= 0 {
			e.paint.whole = v
		}
		return err
	case 60, 67: // invisible; in paper space: of every kind
		v, err := g.number()
		e.values[slot(g.code)], e.has[slot(g.code)] = v, true
		return err
	}
	i := slot(g.code)
	if i < 0 || !numbers {
		return nil
	}
	v, err := g.number()
	if err != nil {
		return err
	}
	e.values[i], e.has[i] = v, true
	switch e.kind {
	case "LWPOLYLINE":
		e.lists.corner(g.code, v)
	case "SPLINE":
		e.lists.curve(g.code, v)
	}
	if len(e.lists.corners)+len(e.lists.points)+len(e.lists.fits) > r.limits.Points {
		return r.tooManyPoints(e.place())
	}
	return nil
}

// corner takes a group of an LWPOLYLINE: 10 begins a corner.
func (l *lists) corner(code int, v float64) {
	if code == 10 {
		l.corners = append(l.corners, vertex{at: vec3{x: v}})
		l.xs++
		return
	}
	if code == 20 {
		l.ys++
	}
	if n := len(l.corners); n > 0 {
		switch code {
		case 20:
			l.corners[n-1].at.y = v
		case 42:
			l.corners[n-1].bulge = v
		}
	}
	if (code == 40 || code == 41 || code == 43) && v != 0 {
		l.wide = true
	}
}

// curve takes a group of a SPLINE.
func (l *lists) curve(code int, v float64) {
	switch code {
	case 10, 11:
		l.xs++
	case 20, 21:
		l.ys++
	}
	switch code {
	case 40:
		l.knots = append(l.knots, v)
	case 41:
		l.weights = append(l.weights, v)
	case 10, 20, 30:
		l.points = axis(l.points, code-10, v)
	case 11, 21, 31:
		l.fits = axis(l.fits, code-11, v)
	}
}

// axis sets one coordinate of the last point; x begins a new one.
func axis(points []vec3, which int, v float64) []vec3 {
	if which == 0 {
		return append(points, vec3{x: v})
	}
	if n := len(points); n > 0 {
		if which == 10 {
			points[n-1].y = v
		} else {
			points[n-1].z = v
		}
	}
	return points
}

// handle is the hexadecimal number of an object; anything else is not shown.
func handle(value []byte) string {
	if len(value) == 0 || len(value) > 16 {
		return ""
	}
	for _, c := range value {
		if (c < '0' || c > '9') && (c < 'A' || c > 'F') && (c < 'a' || c > 'f') {
			return ""
		}
	}
	return string(value)
}

// kindOf gives the kind's name; the same string for the same name, cut to what can be shown.
func (r *reader) kindOf(value []byte) string {
	if k, ok := r.kinds[string(value)]; ok {
		return k
	}
	text := string(value)
	for i, c := range text {
		if i >= 40 || c < ' ' || c > '~' {
			text = text[:i] + "…"
			break
		}
	}
	if len(r.kinds) < 1000 {
		r.kinds[string(value)] = text
	}
	return text
}
