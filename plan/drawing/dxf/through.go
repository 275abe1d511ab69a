package dxf

// through gives the smooth curve through points for a spline that is stored without control points: a
// cubic spline over the lengths of the chords. Ends take the given directions, or none is bent (the
// natural spline); a closed curve goes on smoothly over its start. The format does not say which curve
// is meant.
func through(points []vec3, startAhead, endAhead *vec3, closed bool) run {
	points = distinct(points, closed)
	out := run{start: points[0]}
	if len(points) == 1 {
		return out
	}
	if closed && len(points) > 2 {
		points = append(points, points[0])
	} else {
		closed = false
	}
	n := len(points) - 1
	chord := make([]float64, n)
	secant := make([]vec3, n)
	for i := range chord {
		step := points[i+1].sub(points[i])
		chord[i] = step.length()
		secant[i] = step.times(1 / chord[i])
	}
	var slope []vec3
	if closed {
		slope = closedSlopes(chord, secant)
	} else {
		slope = openSlopes(chord, secant, startAhead, endAhead)
	}
	for i := range chord {
		out.cubic(points[i].plus(chord[i]/3, slope[i]), points[i+1].plus(-chord[i]/3, slope[i+1]), points[i+1])
	}
	out.closed = closed
	return out
}

// distinct leaves out points that repeat the one before, and the last one of a closed curve where it
// repeats the first.
func distinct(points []vec3, closed bool) []vec3 {
	out := points[:1:1]
	for _, p := range points[1:] {
		if p != out[len(out)-1] {
			out = append(out, p)
		}
	}
	if closed && len(out) > 1 && out[0] == out[len(out)-1] {
		out = out[:len(out)-1]
	}
	return out
}

// openSlopes solves for the derivatives at all points so that the second one is continuous.
func openSlopes(h []float64, secant []vec3, startAhead, endAhead *vec3) []vec3 {
	n := len(h)
	low, mid, high, right := make([]float64, n+1), make([]float64, n+1), make([]float64, n+1), make([]vec3, n+1)
	mid[0], high[0], right[0] = 2, 1, secant[0].times(3)
	if startAhead != nil {
		mid[0], high[0], right[0] = 1, 0, *startAhead
	}
	for i := 1; i < n; i++ {
		low[i], mid[i], high[i] = h[i], 2*(h[i-1]+h[i]), h[i-1]
		right[i] = secant[i-1].times(3*h[i]).plus(3*h[i-1], secant[i])
	}
	low[n], mid[n], right[n] = 1, 2, secant[n-1].times(3)
	if endAhead != nil {
		low[n], mid[n], right[n] = 0, 1, *endAhead
	}
	return tridiagonal(low, mid, high, right)
}

// closedSlopes does the same around a closed curve; the last slope is the first again. The two corners
// of the matrix are taken out and put back by the formula of Sherman and Morrison.
func closedSlopes(h []float64, secant []vec3) []vec3 {
	n := len(h)
	low, mid, high, right := make([]float64, n), make([]float64, n), make([]float64, n), make([]vec3, n)
	for i := range n {
		before := (i + n - 1) % n
		low[i], mid[i], high[i] = h[i], 2*(h[before]+h[i]), h[before]
		right[i] = secant[before].times(3*h[i]).plus(3*h[before], secant[i])
	}
	upper, lower := low[0], high[n-1] // the corners: row 0 column n−1, and row n−1 column 0
	gamma := -mid[0]
	mid[0] -= gamma
	mid[n-1] -= float64(upper*lower) / gamma
	unit := make([]vec3, n)
	unit[0], unit[n-1] = vec3{x: gamma}, vec3{x: lower}
	part := tridiagonal(low, mid, high, right)
	fix := tridiagonal(low, mid, high, unit)
	share := upper / gamma
	below := 1 + fix[0].x + float64(share*fix[n-1].x)
	k := part[0].plus(share, part[n-1]).times(1 / below)
	for i := range part {
		part[i] = part[i].sub(k.times(fix[i].x))
	}
	return append(part, part[0])
}

// tridiagonal solves a system that is dominated by its diagonal (Thomas); low[0] and the last of high
// do not count.
func tridiagonal(low, mid, high []float64, right []vec3) []vec3 {
	n := len(mid)
	c, d := make([]float64, n), make([]vec3, n)
	for i := range n {
		below, back := mid[i], vec3{}
		if i > 0 {
			below -= float64(low[i] * c[i-1])
			back = d[i-1].times(low[i])
		}
		c[i] = high[i] / below
		d[i] = right[i].sub(back).times(1 / below)
	}
	for i := n - 2; i >= 0; i-- {
		d[i] = d[i].plus(-c[i], d[i+1])
	}
	return d
}
