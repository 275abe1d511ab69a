package drawing

// Outline builds paths command by command. Before the first Move the current point is (0, 0).
// Commands after Close begin a new path where the closed one began.
type Outline struct {
	segments []Segment // of all paths in turn
	paths    []Path    // their segments are filled in by Paths
	ends     []int     // per path: where its segments end
	at       Vec
	begun    Vec // where the current path began
	open     bool
}

// Reserve makes room for so many paths and segments: without it, memory grows in steps, and the
// peak is a multiple of what is used.
func (o *Outline) Reserve(paths, segments int) {
	o.paths = make([]Path, 0, paths)
	o.ends = make([]int, 0, paths)
	o.segments = make([]Segment, 0, segments)
}

// At is the current point.
func (o *Outline) At() Vec { return o.at }

// Points is how many points the paths have, their beginnings included.
func (o *Outline) Points() int { return len(o.paths) + len(o.segments) }

// Move begins a new path at p. A path without segments does not come into being.
func (o *Outline) Move(p Vec) { o.at, o.begun, o.open = p, p, false }

func (o *Outline) add(s Segment) {
	if !o.open {
		o.paths = append(o.paths, Path{Start: o.at})
		o.ends = append(o.ends, 0)
		o.begun, o.open = o.at, true
	}
	o.segments = append(o.segments, s)
	o.ends[len(o.ends)-1] = len(o.segments)
	o.at = s.To
}

// Line draws a straight line to p.
func (o *Outline) Line(p Vec) { o.add(Segment{To: p}) }

// Cubic draws a cubic with the control points c1 and c2 to p.
func (o *Outline) Cubic(c1, c2, p Vec) { o.add(Segment{Curve: true, C1: c1, C2: c2, To: p}) }

// Quad draws a quadratic with the control point q to p, raised to a cubic: control points two
// thirds of the way to q.
func (o *Outline) Quad(q, p Vec) {
	o.Cubic(lerp(o.at, q, 2.0/3), lerp(p, q, 2.0/3), p)
}

// Close draws a line back to the beginning of the current path, unless it is there, and marks the
// path as closed.
func (o *Outline) Close() {
	if !o.open {
		return
	}
	if o.at != o.begun {
		o.add(Segment{To: o.begun})
	}
	o.paths[len(o.paths)-1].Closed = true
	o.at, o.open = o.begun, false
}

// Paths gives what was drawn; the builder must not be used afterwards.
func (o *Outline) Paths() []Path {
	from := 0
	for i, end := range o.ends {
		o.paths[i].Segments = o.segments[from:end:end]
		from = end
	}
	return o.paths
}
