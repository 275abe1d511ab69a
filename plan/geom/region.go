package geom

// Winding says which points are inside a set of rings, by the winding number there: how often the
// rings go around the point anticlockwise.
type Winding int

// The two rules.
const (
	Positive Winding = iota // more often anticlockwise than clockwise: outlines and holes by direction
	NonZero                 // any other number than zero: rings whose direction says nothing
)

func (w Winding) inside(n int32) bool { return n > 0 || w == NonZero && n < 0 }

// Settle gives the region inside the rings as rings that neither cross nor lie on each other:
// outlines anticlockwise, holes clockwise, none through a point twice, each from its lowest leftmost
// point back to it, sorted by their points. A ring counts as closed whether or not its last point
// repeats the first. What is thinner than about a micrometre is left out, and no point moves by more
// than half a micrometre in x or y. Coordinates may reach ±MostCoordinateUM. The result is the same
// on every target, since nothing but whole numbers decides. The only error is ErrCrossings.
func Settle(rings [][]Point, rule Winding) ([][]Point, error) {
	settled, _, err := settle(rings, rule)
	return settled, err
}

// settle is Settle; alone says that there is one ring and that it is simple.
func settle(rings [][]Point, rule Winding) (settled [][]Point, alone bool, err error) {
	if len(rings) == 1 {
		if settled, alone = settledAlone(rings[0], rule); alone {
			return settled, true, nil
		}
	}
	settled, err = combined(func(t turns) bool { return rule.inside(t[0]) }, rings)
	return settled, false, err
}

// Union gives what lies in a or in b, both by Positive; else as Settle.
func Union(a, b [][]Point) ([][]Point, error) {
	return combined(func(t turns) bool { return t[0] > 0 || t[1] > 0 }, a, b)
}

// Difference gives what lies in a and not in b, both by Positive; else as Settle.
func Difference(a, b [][]Point) ([][]Point, error) {
	return combined(func(t turns) bool { return t[0] > 0 && t[1] <= 0 }, a, b)
}

// Intersect gives what lies in a and in b, both by Positive; else as Settle.
func Intersect(a, b [][]Point) ([][]Point, error) {
	return combined(func(t turns) bool { return t[0] > 0 && t[1] > 0 }, a, b)
}

func combined(inside func(turns) bool, sets ...[][]Point) ([][]Point, error) {
	w := rooms.Get().(*workings)
	defer w.done()
	n, err := w.newNetwork(sets...)
	if err != nil {
		return nil, err
	}
	return w.sweep.region(n, inside), nil
}
