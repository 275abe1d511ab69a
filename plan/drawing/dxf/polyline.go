package dxf

// Flags of a POLYLINE and its VERTEX, group 70.
const (
	polylineClosed  = 1
	polylineInSpace = 8
	polylineMesh    = 16
	polylineFaces   = 64
	vertexOfFrame   = 16 // a control point of the curve whose points are stored as well
)

func (i *item) wide() {
	i.remark("nothing to do if the middle line is meant; else draw both edges", "a wide polyline is taken as its middle line")
}

// corners makes a polyline out of its corners, once it is known that they are not too many.
func (r *reader) corners(i *item, corners []vertex, closed bool) error {
	if len(corners) == 0 {
		return nil
	}
	pieces := 0
	for _, c := range corners {
		pieces += bulgePieces(c.bulge)
	}
	if r.built+pieces > r.limits.Points {
		return r.tooManyPoints(i.place())
	}
	i.runs = []run{polyline(corners, closed)}
	return nil
}

// lightPolyline reads the form of R14 and later: one entity that holds its corners.
func (r *reader) lightPolyline(i *item, e *record) error {
	l := &e.lists
	if l.xs != l.ys {
		i.incomplete()
		return nil
	}
	if said := e.get(90, float64(len(l.corners))); said != float64(len(l.corners)) {
		i.remark("compare the shape with what is meant", "a polyline has another number of corners than it says; those it has are taken")
	}
	if l.wide {
		i.wide()
	}
	for n := range l.corners {
		l.corners[n].at.z = e.get(38, 0)
	}
	if err := r.corners(i, l.corners, e.flags(70)&polylineClosed != 0); err != nil {
		return err
	}
	i.stand(e.normal())
	return nil
}

// polyline reads the old form: corners are entities of their own up to SEQEND. complete is false where
// the file ends before.
func (r *reader) polyline(i *item, e *record) (complete bool, err error) {
	flags, normal, height := e.flags(70), e.normal(), e.get(30, 0)
	wide := e.get(40, 0) != 0 || e.get(41, 0) != 0
	var corners []vertex
	for {
		g, ok, err := r.scan.next()
		if err != nil {
			return false, err
		}
		if !ok {
			r.notice(i.place(), "save the drawing again", "the file is cut off here; the element at its end is left out")
			return false, nil
		}
		if !g.is("VERTEX") && !g.is("SEQEND") {
			r.scan.unread()
			i.remark("nothing to do if the drawing looks right", "a polyline has no end mark (SEQEND); it ends where another element begins")
			break
		}
		v, complete, err := r.readRecord(g)
		if err != nil {
			return false, err
		}
		if !complete {
			r.notice(i.place(), "save the drawing again", "the file is cut off here; the element at its end is left out")
			return false, nil
		}
		if v.kind == "SEQEND" {
			break
		}
		if v.flags(70)&vertexOfFrame != 0 && flags&polylineMesh == 0 {
			continue
		}
		if !v.whole(10, 20) && flags&polylineFaces == 0 {
			i.remark("draw it again", "a corner of a polyline lacks its position and is left out")
			continue
		}
		corner := vertex{at: v.at(10), bulge: v.get(42, 0)}
		if flags&polylineInSpace != 0 {
			corner.bulge = 0
		} else {
			corner.at.z = height
		}
		wide = wide || v.get(40, 0) != 0 || v.get(41, 0) != 0
		if corners = append(corners, corner); len(corners) > r.limits.Points {
			return false, r.tooManyPoints(i.place())
		}
	}
	switch {
	case flags&(polylineMesh|polylineFaces) != 0:
		i.remark("draw its outline as a polyline", "a mesh (POLYLINE) is not read: it does not become lines")
		return true, nil
	case wide:
		i.wide()
	}
	if err := r.corners(i, corners, flags&polylineClosed != 0); err != nil {
		return false, err
	}
	if flags&polylineInSpace == 0 {
		i.stand(normal)
	}
	return true, nil
}
