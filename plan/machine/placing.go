package machine

import (
	"fmt"
	"strconv"
	"strings"

	"kerfgate/plan/geom"
)

// Placing says how one axis finds its place.
type Placing struct {
	How string `json:"how"` // one of the Placing constants
	// SpanUM is what lies between the two reference marks of an axis that is placed in their middle, and
	// ToleranceUM how far the span that it measures may be off; 0 = twice RepeatErrorUM, since each mark is
	// found that well. A span that is farther off means a slipped drive, a lost count or something in the way.
	SpanUM        int64 `json:"span_um,omitempty"`
	ToleranceUM   int64 `json:"tolerance_um,omitempty"`
	RepeatErrorUM int64 `json:"repeat_error_um"`
	// MarkUM is where on the axis the mark lies to which a person carries an axis that is placed by hand.
	MarkUM int64 `json:"mark_um,omitempty"`
}

// Ways in which an axis finds its place.
const (
	PlacingEndSwitch    = "end switch"
	PlacingMiddleOfSpan = "middle of span"
	PlacingByHand       = "by hand"
)

// Tolerance is how far a measured span may be off, in micrometres.
func (p Placing) Tolerance() int64 {
	if p.ToleranceUM > 0 {
		return p.ToleranceUM
	}
	return 2 * p.RepeatErrorUM
}

// spanProblem compares a measured span with the profile's; empty where it agrees or none is measured.
func (p Placing) spanProblem(axis string, measuredUM int64) string {
	if p.How != PlacingMiddleOfSpan {
		return ""
	}
	if measuredUM <= 0 {
		return axis + ": no span was measured"
	}
	if off := measuredUM - p.SpanUM; off > p.Tolerance() || -off > p.Tolerance() {
		return fmt.Sprintf("%s: the measured span is %s mm, the profile says %s ± %s mm", axis, millimetres(measuredUM), millimetres(p.SpanUM),
			millimetres(p.Tolerance()))
	}
	return ""
}

// SpanProblems compares the spans that were measured while the axes found their place, in micrometres,
// with the profile: one line with both numbers for each axis out of tolerance.
func (p Profile) SpanProblems(measured geom.Point) []string {
	var all []string
	for _, text := range []string{p.PlacingX.spanProblem("x", measured.X), p.PlacingY.spanProblem("y", measured.Y)} {
		if text != "" {
			all = append(all, text)
		}
	}
	return all
}

// ByHand names the axes that a person has to carry to their mark before the others find their place.
func (p Profile) ByHand() []string {
	var axes []string
	if p.PlacingX.How == PlacingByHand {
		axes = append(axes, "x")
	}
	if p.PlacingY.How == PlacingByHand {
		axes = append(axes, "y")
	}
	return axes
}

// millimetres prints whole micrometres as millimetres without idle zeros.
func millimetres(um int64) string { return strconv.FormatFloat(float64(um)/1000, 'f', -1, 64) }

// placingProblems are what is wrong with the description of how the axes find their place.
func (c *complaints) placing(p Profile) {
	for axis, how := range map[string]Placing{"x": p.PlacingX, "y": p.PlacingY} {
		if how.How == PlacingMiddleOfSpan && how.SpanUM <= 0 {
			c.add("placing_%s: it is placed in the middle of a span, and span_um is missing", axis)
		}
		if how.How == PlacingMiddleOfSpan && p.Driver.Dialect != nil && !strings.Contains(p.Driver.Dialect.Span, "(?P<"+axis+">") {
			c.add("placing_%s: it is placed in the middle of a span, and the dialect does not say how the machine tells it (span)", axis)
		}
	}
}

// Problems are what is wrong with the description of how a machine is driven and placed, each in plain
// words; none means that a driver can be made from it.
func (p Profile) Problems() []string {
	c := complaints{list: p.Driver.Problems()}
	c.placing(p)
	return c.sorted()
}

// Greatest speeds of motion without beam while hands may be near: at a person's hold, finely, and once
// around the outline. 20 mm/s is this project's own bound; common practice, no source.
const (
	HandUMPerS  = 20_000
	FineUMPerS  = 2_000
	TraceUMPerS = 100_000
)

// WithinStops says whether the carriage may stand at all of these places, in machine coordinates: inside its travel and
// inside its hard stops.
func (p Profile) WithinStops(places ...geom.Point) bool {
	b, ok := geom.BoxOf(places...)
	return ok && b.Inside(p.TravelUM) && b.Inside(p.HardStops)
}

// Bounded is a speed that no axis of the machine exceeds.
func (p Profile) Bounded(speedUMPerS int64) int64 {
	for _, most := range []int64{p.TravelSpeedUMPerS, p.SpeedXUMPerS, p.SpeedYUMPerS} {
		if most > 0 {
			speedUMPerS = min(speedUMPerS, most)
		}
	}
	return speedUMPerS
}

// HandLineMS and TraceLineMS are the longest motion of one line while somebody holds, in milliseconds; no more
// than two are ever on their way, so that the carriage rests soon after a release.
const (
	HandLineMS  = 40
	TraceLineMS = 80
)

// TraceSpeed is how fast an outline is traced, in µm/s: so that the carriage comes to rest within half of the line
// that it has, and does not stutter while the next one is on its way.
func (p Profile) TraceSpeed() int64 {
	speed := p.Bounded(TraceUMPerS)
	if accel := min(p.AccelXUMPerS2, p.AccelYUMPerS2); accel > 0 { // v²/2a = v · half a line
		speed = min(speed, max(HandUMPerS, accel*TraceLineMS/1000))
	}
	return p.Bounded(speed)
}

// TraceMS is about how long it takes to go from a place to the nearest corner of a way and once around it, in
// milliseconds: each side at the trace's speed, with a rest at each corner.
func (p Profile) TraceMS(from geom.Point, around []geom.Point) int64 {
	speed := p.TraceSpeed()
	accel := min(p.AccelXUMPerS2, p.AccelYUMPerS2)
	if speed <= 0 || accel <= 0 || len(around) == 0 {
		return 0
	}
	first := Nearest(around, from)
	way := geom.Distance(from, around[first])
	for i, c := range around {
		way += geom.Distance(c, around[(i+1)%len(around)])
	}
	return int64(way)*1000/speed + int64(len(around)+1)*speed*1000/accel
}

// Nearest is the index of the point that lies nearest to a place; −1 where there is none.
func Nearest(points []geom.Point, to geom.Point) int {
	best := -1
	for i, p := range points {
		if best < 0 || geom.Distance(p, to) < geom.Distance(points[best], to) {
			best = i
		}
	}
	return best
}
