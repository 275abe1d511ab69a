package svg

import "kerfgate/plan/drawing"

// mostReach bounds the comparisons of points with frames.
const mostReach = 50_000_000

// reach names shapes that lie beyond a page or viewport, which a viewer would cut off there.
func (r *reader) reach(n *element, paths []drawing.Path) {
	if r.measuring > 0 {
		return
	}
	for i := range r.views {
		v := &r.views[i]
		if !v.clips || v.marked {
			continue
		}
		for _, path := range paths {
			if r.reached += 1 + len(path.Segments); r.reached > mostReach {
				r.notice(n, "look whether all of it is meant", "the drawing is too large to tell what reaches beyond its page or frames")
				return
			}
			if v.leaves(path) {
				v.marked = true
				r.notice(n, "move it inside, or enlarge the page", "a shape reaches beyond its page or frame; it is taken whole")
				break
			}
		}
	}
}

// leaves says whether a path has a corner outside the view.
func (v *view) leaves(path drawing.Path) bool {
	const slack = 0.05
	outside := func(p drawing.Vec) bool {
		u := v.inv.apply(p)
		return u.X < -slack || u.Y < -slack || u.X > v.w+slack || u.Y > v.h+slack
	}
	if outside(path.Start) {
		return true
	}
	for _, s := range path.Segments {
		if outside(s.To) {
			return true
		}
	}
	return false
}
