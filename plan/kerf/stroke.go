package kerf

import (
	"fmt"
	"math"

	"kerfgate/plan/geom"
)

// Stroke gives the way of a cut that is run into, and the parts of it with the tool on: from the
// run-in's end once around the contour and overlapUM past its start, so that the contour closes, but
// for the holding tabs, which are spans along r.Contour. Then the carriage goes on along the contour
// for beyondUM more with the tool off, so that it need not brake before the tool is off. A RunIn whose
// From is where its contour begins is none: the way begins there.
//
// The spans say where the tool must be on; the motion commands it earlier by its delays.
func (r RunIn) Stroke(tabs []geom.Span, overlapUM, beyondUM int64) (points []geom.Point, on []geom.Span, err error) {
	around := geom.Length(r.Contour)
	if overlapUM < 0 || beyondUM < 0 || overlapUM+beyondUM > around {
		return nil, nil, fmt.Errorf("an overlap of %d µm and %d µm beyond go more than once around a contour of %d µm", overlapUM, beyondUM, around)
	}
	if r.From != r.Contour[0] {
		points = append(points, r.From)
	}
	points = append(points, r.Contour...)
	points = append(points, beginning(r.Contour, overlapUM+beyondUM)...)
	from, to := r.LengthUM, r.LengthUM+around+overlapUM
	for _, lap := range []int64{0, around} {
		for _, tab := range tabs {
			a, b := r.LengthUM+lap+tab.From, r.LengthUM+lap+tab.To
			if b <= from {
				continue
			}
			if a >= to {
				break
			}
			if a > from {
				on = append(on, geom.Span{From: from, To: a})
			}
			from = b
		}
	}
	if from < to {
		on = append(on, geom.Span{From: from, To: to})
	}
	return points, on, nil
}

// beginning gives the points along the contour up to the length, without the first one.
func beginning(contour []geom.Point, length int64) []geom.Point {
	var out []geom.Point
	left := float64(length)
	for i := 1; i < len(contour) && left > 0; i++ {
		edge := geom.Segment{A: contour[i-1], B: contour[i]}
		d := geom.Distance(edge.A, edge.B)
		end := edge.B
		if d > left {
			end = edge.At(left / d)
		}
		if end != edge.A {
			out = append(out, end)
		}
		left -= math.Min(d, left)
	}
	return out
}
