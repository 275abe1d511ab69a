package contour

import (
	"math"
	"slices"
)

// Result is what Clean makes of lines.
type Result struct {
	Lines     []Line
	DoubledUM int64     // length taken out since it was done twice
	Doubled   []Overlap // the longest of it, at most MostPlaces
	Overlaps  int       // how many stretches that was
	Joined    int       // pairs of ends that became one point
	Split     int       // cut lines divided where they met themselves
}

// mostRounds bounds how often Clean looks again at what it changed. What one round leaves for the
// next is a few micrometres of rounding.
const mostRounds = 8

// Clean takes out what is worked twice, joins ends that meet, and makes simple loops of cut lines
// that cross themselves. Clean lines stay as they are: Clean(Clean(x)) = Clean(x). The lines given
// are not changed, but those that need no change share their points with the result. The error is
// ErrFar or ErrTangled.
func Clean(lines []Line, options Options) (Result, error) {
	o := options.withDefaults()
	work, err := admit(lines)
	if err != nil {
		return Result{}, err
	}
	var result Result
	var um float64
	var found []Overlap
	for range mostRounds {
		before := work
		var d *doubles
		if work, d, err = removeDoubles(work, o.DoubleUM); err != nil {
			return Result{}, err
		}
		var joined, divided int
		work, joined = join(work, o.JoinUM)
		var lost float64
		if work, divided, lost, err = split(work, o.JoinUM); err != nil {
			return Result{}, err
		}
		if same(before, work) {
			break // what was joined fell apart again, or nothing happened
		}
		um += d.um + lost
		found = append(found, d.found...)
		result.Joined += joined
		result.Split += divided
	}
	result.DoubledUM = int64(math.Round(um))
	result.Overlaps = len(found)
	result.Doubled = longest(found)
	result.Lines = make([]Line, len(work))
	for i, l := range work {
		result.Lines[i] = l.Line
	}
	return result, nil
}

func same(a, b []worked) bool {
	return slices.EqualFunc(a, b, func(p, q worked) bool {
		return p.Group == q.Group && p.Op == q.Op && p.Closed == q.Closed && slices.Equal(p.Points, q.Points)
	})
}

// admit checks the lines and leaves out what has no length.
func admit(lines []Line) ([]worked, error) {
	out := make([]worked, 0, len(lines))
	for _, l := range lines {
		repeats := false
		for i, p := range l.Points {
			if abs(p.X) > MostUM || abs(p.Y) > MostUM {
				return nil, ErrFar
			}
			repeats = repeats || i > 0 && l.Points[i-1] == p
		}
		if repeats {
			l.Points = withStops(nil, l.Points, 0, nil)
		}
		if len(l.Points) < 2 {
			continue
		}
		l.Closed = l.Closed && len(l.Points) > 3 && l.Points[0] == l.Points[len(l.Points)-1]
		out = append(out, worked{Line: l})
	}
	return out, nil
}

// longest keeps the first MostPlaces by length, of equal ones the earlier.
func longest(found []Overlap) []Overlap {
	var out []Overlap
	for _, f := range found {
		at := len(out)
		for at > 0 && out[at-1].UM < f.UM {
			at--
		}
		if at < MostPlaces {
			out = append(out[:at], append([]Overlap{f}, out[at:]...)...)
			out = out[:min(len(out), MostPlaces)]
		}
	}
	return out
}
