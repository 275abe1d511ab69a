package geom

// Straights divides a polyline into stretches that leave the straight line between their ends by no
// more than slack µm and never turn back: it gives the indexes of the points at which they meet, the
// first and the last point among them. Each stretch goes on as far as it can: from its first point
// every point passed allows the directions that keep within slack of it.
func Straights(points []Point, slack float64) []int {
	if len(points) == 0 {
		return nil
	}
	ends := []int{0}
	var right, left direction // the directions allowed, not of unit length
	open := false
	for i := 1; i < len(points); i++ {
		for {
			from := ends[len(ends)-1]
			d, e := points[i].Sub(points[from]), points[i].Sub(points[i-1])
			v := direction{float64(d.X), float64(d.Y)}
			if i-1 != from && (d.X*e.X+d.Y*e.Y < 0 || open && (turnFrom(right, v) < 0 || turnFrom(left, v) > 0)) {
				ends, open = append(ends, i-1), false
				continue // now from the last point
			}
			if r := Distance(points[from], points[i]); r > slack {
				k := slack / r
				nx, ny := -float64(v.y*k), float64(v.x*k)
				low, high := direction{v.x - nx, v.y - ny}, direction{v.x + nx, v.y + ny}
				if !open || turnFrom(right, low) > 0 {
					right = low
				}
				if !open || turnFrom(left, high) < 0 {
					left = high
				}
				open = true
			}
			break
		}
	}
	if last := len(points) - 1; last > 0 {
		ends = append(ends, last)
	}
	return ends
}

// turnFrom is positive where v points to the left of u.
func turnFrom(u, v direction) float64 { return float64(u.x*v.y) - float64(u.y*v.x) }

// thinned leaves out points of closed rings that lie within slack of a straight line: where points
// are a few micrometres apart their rounding turns every edge, and parallels cross each other no end.
func thinned(rings [][]Point, slack float64) (out [][]Point, changed bool) {
	for _, ring := range rings {
		ends := Straights(ring, slack)
		if len(ends) < 4 { // too small to be drawn with fewer points
			out = append(out, ring)
			continue
		}
		thin := make([]Point, len(ends))
		for k, i := range ends {
			thin[k] = ring[i]
		}
		changed = changed || len(thin) < len(ring)
		out = append(out, thin)
	}
	return out, changed
}
