package dxf

// Flags of a SPLINE, group 70.
const splineClosed = 1

// spline reads a curve by its control points, or by its fit points where it has no others.
func (r *reader) spline(i *item, e *record) error {
	l := &e.lists
	if l.xs != l.ys {
		i.incomplete()
		return nil
	}
	closed := e.flags(70)&splineClosed != 0
	if len(l.points) == 0 && len(l.fits) > 0 {
		i.remark("compare the curve with the drawing program's, or save it with control points",
			"a spline that has fit points only is drawn as the smooth cubic curve through them")
		i.runs = []run{through(l.fits, e.direction(12), e.direction(13), closed)}
		return nil
	}
	s := spline{degree: e.flags(71), knots: l.knots, points: l.points, weights: l.weights}
	if err := s.check(); err != nil {
		i.remark("draw it again", "a SPLINE is left out: %v", err)
		return nil
	}
	if s.degree > 3 { // the work grows with the degree's third power, that of all else with the points
		r.built += len(s.points) * s.degree * s.degree
	}
	runs, ok := s.runs(r.limits.Points - r.built)
	if !ok {
		return r.tooManyPoints(e.place())
	}
	i.runs = runs
	if !closed {
		return nil
	}
	last := &runs[len(runs)-1]
	if len(runs) > 1 || last.end().sub(last.start).length() > 1e-9*s.extent() {
		i.remark("close it with a line if a piece is to come off", "a spline is marked as closed and its ends do not meet; it is drawn as it stands")
		return nil
	}
	if n := len(last.pieces); n > 0 {
		last.pieces[n-1].to = last.start
		last.closed = true
	}
	return nil
}

// direction is a unit vector, nil where the file has none.
func (e *record) direction(code int) *vec3 {
	if !e.whole(code, code+10) {
		return nil
	}
	if u, ok := e.at(code).unit(); ok {
		return &u
	}
	return nil
}
