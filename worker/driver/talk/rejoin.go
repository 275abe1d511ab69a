package talk

import (
	"fmt"
	"math"
	"slices"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
)

const (
	// onPathUM is how far from a line the place may lie that the machine tells, for its counts and rounding.
	onPathUM = 60
	// roomier is by how much a run-in is longer than the carriage needs to come up to speed.
	roomier = 1.25
	// slowUMPerS is a speed below which a place is passed as good as at rest.
	slowUMPerS = 200
)

// joint is where the tool went off within the lines that the machine was told.
type joint struct {
	at    geom.Point
	line  int // in which of the lines it lies
	atEnd bool
}

// find looks for the one line along which the tool was on at a place. ok is false where there is none, or more than
// one: nobody knows then which it was.
func find(lines []told, at geom.Point) (j joint, ok bool) {
	j.line = -1
	last, nearest := -1, 0.0
	for i, t := range lines {
		if !t.works() {
			continue
		}
		d := aside(at, t.from, t.to)
		switch {
		case d > onPathUM:
			continue
		case j.line < 0:
			j.line, nearest = i, d
		case last != i-1: // the path comes by here again
			return j, false
		case d < nearest:
			j.line, nearest = i, d
		}
		last = i
	}
	if j.line < 0 {
		return j, false
	}
	t := lines[j.line]
	if j.at, j.atEnd = onto(at, t.from, t.to), geom.Distance(at, t.to) <= nearest+1; j.atEnd {
		j.at = t.to
	}
	return j, true
}

// aside is how far a place lies from a line between two ends.
func aside(p, a, b geom.Point) float64 { return geom.Distance(p, onto(p, a, b)) }

// onto is the place on a line that lies nearest.
func onto(p, a, b geom.Point) geom.Point {
	dx, dy := float64(b.X-a.X), float64(b.Y-a.Y)
	length := float64(dx*dx) + float64(dy*dy)
	if length == 0 {
		return a
	}
	t := min(1, max(0, (float64(float64(p.X-a.X)*dx)+float64(float64(p.Y-a.Y)*dy))/length))
	return geom.Pt(a.X+int64(math.Round(dx*t)), a.Y+int64(math.Round(dy*t)))
}

// rejoin are the lines that take a resting carriage back, tool off, and let it pass the joint as fast as the plan's
// lines passed it, the tool on from there; then the lines that follow. Where the tool can be switched only at rest,
// where the joint was passed as good as at rest, and where there is no room within the travel, the tool goes on at
// rest at the joint and waits as long as it takes, which is how every line of such a tool begins.
func rejoin(p machine.Profile, tool machine.Tool, lines []told, j joint) []string {
	rest := lines[j.line+1:]
	next := lines[j.line]
	if j.atEnd {
		if len(rest) == 0 || !rest[0].works() { // the line was done
			return append([]string{"G21", "G90", "M5", "G0" + placeText(j.at)}, texts(rest)...)
		}
		next, rest = rest[0], rest[1:]
	}
	head := []string{"G21", "G90", "M5"}
	onward := append([]string{fmt.Sprintf("G1%s F%s S%d", placeText(next.to), number(next.feed), next.level)}, texts(rest)...)
	if way, v := runIn(p, tool, lines, j); len(way) > 0 {
		head = append(head, "G0"+placeText(way[0]), "M3 S0")
		feed := " F" + number(v*60/1000)
		for i, q := range way[1:] {
			level := int64(0)
			if i == 1 { // over the last piece the tool comes on
				level = next.level
			}
			head = append(head, fmt.Sprintf("G1%s%s S%d", placeText(q), feed, level))
		}
		return append(head, onward...)
	}
	head = append(head, "G0"+placeText(j.at), fmt.Sprintf("M3 S%d", next.level))
	if d := tool.Switch.OnDelayMS; d > 0 {
		head = append(head, "G4 P"+number(float64(d)/1000))
	}
	return append(head, onward...)
}

// runIn is the straight way, tool off, onto the joint in the direction in which it was reached: a start, perhaps where
// the tool is told to go on so that it is on at the joint, and the joint; with the speed there in µm/s.
func runIn(p machine.Profile, tool machine.Tool, lines []told, j joint) (way []geom.Point, v float64) {
	t := lines[j.line]
	length := geom.Distance(t.from, t.to)
	ux, uy := float64(t.to.X-t.from.X)/length, float64(t.to.Y-t.from.Y)/length
	v = speedAt(p, lines, j)
	accel := min(float64(p.AccelXUMPerS2)/max(math.Abs(ux), 1e-9), float64(p.AccelYUMPerS2)/max(math.Abs(uy), 1e-9))
	if !tool.Switch.InMotion || v < slowUMPerS || accel <= 0 {
		return nil, 0
	}
	lead := v * float64(tool.Switch.OnDelayMS) / 1000
	back := func(d float64) geom.Point {
		return geom.Pt(j.at.X-int64(math.Round(ux*d)), j.at.Y-int64(math.Round(uy*d)))
	}
	start := back(lead + roomier*v*v/(2*accel))
	if !p.WithinStops(start) {
		return nil, 0
	}
	if lead < 1 {
		return []geom.Point{start, j.at}, v
	}
	return []geom.Point{start, back(lead), j.at}, v
}

// speedAt is how fast the lines passed the joint, as the planner reckons it: over the lines by G1 around it, which begin
// and end at rest but where older or later ones are not known.
func speedAt(p machine.Profile, lines []told, j joint) float64 {
	first, last := j.line, j.line
	for first > 0 && lines[first-1].ways == 1 {
		first--
	}
	for last+1 < len(lines) && lines[last+1].ways == 1 {
		last++
	}
	points := []geom.Point{lines[first].from}
	var before float64
	for i := first; i <= last; i++ {
		points = append(points, lines[i].to)
		if i < j.line {
			before += geom.Distance(lines[i].from, lines[i].to)
		}
	}
	before += geom.Distance(lines[j.line].from, j.at)
	// Straight on after the last line, and before the first unless it began there at rest.
	far := func(from, to geom.Point) geom.Point {
		d := geom.Distance(from, to)
		k := 100_000 / max(d, 1)
		return geom.Pt(to.X+int64(float64(to.X-from.X)*k), to.Y+int64(float64(to.Y-from.Y)*k))
	}
	if last == len(lines)-1 {
		points = append(points, far(points[len(points)-2], points[len(points)-1]))
	}
	if first == 0 {
		points = slices.Insert(points, 0, far(points[1], points[0]))
		before += geom.Distance(points[0], points[1])
	}
	return motion.LimitsOf(p).Passes(points, int64(lines[j.line].feed*1000/60), before)
}

func texts(lines []told) (out []string) {
	for _, t := range lines {
		out = append(out, t.text)
	}
	return out
}

func placeText(p geom.Point) string {
	return " X" + number(float64(p.X)/1000) + " Y" + number(float64(p.Y)/1000)
}

// number prints thousandths.
func number(v float64) string { return fmt.Sprintf("%.3f", v) }
