package contour

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"math"
	"slices"

	"kerfgate/plan/geom"
)

// Overlap is a part of a line that was taken out since the tool goes there anyway.
type Overlap struct {
	Op       string
	From, To geom.Point // its ends; equal for a whole closed line
	UM       int64      // its length
}

// A stretch is only taken out when it is tolerancesWorth times as long as the tolerance, or the
// whole line: lines that cross at an angle above 1 in 10 are not doubled where they cross, and a
// shorter stretch burnt twice is narrower than a spot.
const tolerancesWorth = 10

// slackUM widens the tolerance for how far a stretch reaches once it is found. What is left ends on
// the grid, up to 0.71 µm off; without the slack its end would be doubled again, and the line would
// be eaten up bit by bit.
const slackUM = 1

// worked is a line on its way through Clean.
type worked struct {
	Line
	// suspect says that the line may meet itself.
	suspect bool
}

// doubles takes out what is done twice under one operation.
type doubles struct {
	lines   []worked
	um      float64
	found   []Overlap
	suspect []bool
	// Of each line, what earlier ones cover: within the tolerance, and with the slack.
	core, wide [][]run
}

// removeDoubles leaves of every stretch that lines of one operation share, within the tolerance and
// in whatever direction, the one of the closed line before that of the open one, and of the earlier
// line before that of the later. Engraved lines bound areas and are only compared as a whole.
func removeDoubles(lines []worked, toleranceUM int64) (kept []worked, d *doubles, err error) {
	d = &doubles{lines: lines, suspect: make([]bool, len(lines)), core: make([][]run, len(lines)), wide: make([][]run, len(lines))}
	byOp := map[string][]int{}
	var ops []string
	seen := map[[sha256.Size]byte]bool{}
	gone := make([]bool, len(lines))
	for i, l := range lines {
		if l.Op == engrave {
			k := fingerprint(l.Line)
			gone[i] = seen[k]
			seen[k] = true
			continue
		}
		if byOp[l.Op] == nil {
			ops = append(ops, l.Op)
		}
		byOp[l.Op] = append(byOp[l.Op], i)
	}
	for _, op := range ops {
		if err := d.cover(byOp[op], float64(toleranceUM)); err != nil {
			return nil, nil, err
		}
	}
	kept = make([]worked, 0, len(lines))
	for i, l := range lines {
		l.suspect = l.suspect || d.suspect[i]
		switch {
		case gone[i]:
			d.take(l.Line, l.Points, float64(geom.Length(l.Points)))
		case len(d.core[i]) == 0:
			kept = append(kept, l)
		default:
			kept = d.divide(kept, l, d.core[i], d.wide[i], float64(toleranceUM))
		}
	}
	return kept, d, nil
}

func (d *doubles) take(l Line, points []geom.Point, um float64) {
	d.um += um
	d.found = append(d.found, Overlap{Op: l.Op, From: points[0], To: points[len(points)-1], UM: int64(math.Round(um))})
}

// coverer is what cover knows of one operation's segments, in order of rank: a segment covers those
// of higher rank.
type coverer struct {
	*doubles
	items []int // the lines
	ways  geom.Polylines
	// spoilt gives what of a segment is covered itself, so that it covers nothing: the parts of
	// [0, its length] along it.
	spoilt     map[int32][]run
	along      []float64 // how far each point of one of the ways lies along it
	alongOf    int32     // that one, −1 for none yet
	core, wide []run     // room for those of one segment
}

// beside says that an earlier segment may cover a part of a later one; other −1 says that the later
// one's line meets itself.
type beside struct{ segment, other int32 }

// mostBeside bounds these, 8 bytes each, to the memory that mostStops stops take.
const mostBeside = 3 * mostStops

// cover fills d.core and d.wide of the given lines.
func (d *doubles) cover(items []int, tolerance float64) error {
	c := coverer{doubles: d, items: slices.Clone(items), spoilt: map[int32][]run{}, alongOf: -1}
	slices.SortStableFunc(c.items, func(a, b int) int {
		return cmp.Compare(rank(d.lines[a].Line), rank(d.lines[b].Line))
	})
	some := 0
	for _, i := range items {
		some += len(d.lines[i].Points)
	}
	c.ways.Grow(len(items), some)
	for _, i := range c.items {
		c.ways.Add(d.lines[i].Points)
	}
	found, err := c.besides(tolerance)
	if err != nil {
		return err
	}
	for _, of := range found {
		for len(of) > 0 {
			n := 1
			for n < len(of) && of[n].segment == of[0].segment {
				n++
			}
			c.segment(of[:n], tolerance)
			of = of[n:]
		}
	}
	return nil
}

// besides finds what lies beside what, in the order of the segments covered: pairs of which nothing is
// covered as long as both are whole cover nothing later either.
func (c *coverer) besides(tolerance float64) ([][]beside, error) {
	index := geom.NewSegmentIndex(&c.ways)
	return lookAtAll(c.ways.Len(), mostBeside, func() look[beside] {
		search := index.Search()
		suspect := int32(-1) // the line that was found to be so last
		var room []run
		return look[beside]{[]*geom.SegmentSearch{search}, func(s int, found []beside) []beside {
			segment, line := c.ways.Segment(s), c.ways.Of[s]
			l := &c.lines[c.items[line]]
			first, end := c.ways.Segments(int(line))
			search.Around(s, int64(math.Ceil(tolerance))+slackUM, func(e int) bool {
				if e >= s {
					return true
				}
				if c.ways.Of[e] == line && l.Op == cut && suspect != line {
					if _, n := segment.Meet(c.ways.Segment(e)); n > 1 || n == 1 && !neighbours(e, s, first, end, l.Closed) {
						suspect = line
						found = append(found, beside{int32(s), -1})
					}
				}
				if room = c.beside(room[:0], segment, int32(e), c.within(line, e, tolerance)+slackUM); len(room) > 0 {
					found = append(found, beside{int32(s), int32(e)})
				}
				return true
			})
			return found
		}}
	})
}

// within is how far a segment may lie off one of a line, and still be doubled by it.
func (c *coverer) within(line int32, e int, tolerance float64) float64 {
	if c.ways.Of[e] == line {
		// Within one line only what is laid back onto itself counts, or the sides of a narrow slot
		// would open it.
		return 1
	}
	return tolerance
}

// segment adds what of a segment those beside it cover.
func (c *coverer) segment(besides []beside, tolerance float64) {
	s := besides[0].segment
	segment, line := c.ways.Segment(int(s)), c.ways.Of[s]
	core, wide := c.core[:0], c.wide[:0]
	for _, b := range besides {
		if b.other < 0 {
			c.suspect[c.items[line]] = true
			continue
		}
		within := c.within(line, int(b.other), tolerance)
		core = c.beside(core, segment, b.other, within)
		wide = c.beside(wide, segment, b.other, within+slackUM)
	}
	c.core, c.wide = core, wide
	if len(wide) == 0 {
		return
	}
	wide = united(wide, tolerance)
	c.spoilt[s] = slices.Clone(wide)
	if c.alongOf != line {
		c.along, c.alongOf = arcs(c.along[:0], c.ways.Line(int(line))), line
	}
	first, _ := c.ways.Segments(int(line))
	at, d, i := c.along[int(s)-first], c.doubles, c.items[line]
	for _, r := range wide {
		d.wide[i] = append(d.wide[i], run{at + r.from, at + r.to})
	}
	for _, r := range core {
		d.core[i] = append(d.core[i], run{at + r.from, at + r.to})
	}
}

func rank(l Line) int {
	if l.Closed {
		return 0
	}
	return 1
}

func grown(b geom.Box, by int64) geom.Box {
	return geom.Box{Min: geom.Pt(b.Min.X-by, b.Min.Y-by), Max: geom.Pt(b.Max.X+by, b.Max.Y+by)}
}

// beside adds the parts of s that run beside the segment e, at most within µm off and at an angle of
// less than 1 in 2. Nothing lies beside e past its ends.
func (c *coverer) beside(runs []run, s geom.Segment, e int32, within float64) []run {
	o := c.ways.Segment(int(e))
	a, b := o.B.Sub(o.A), s.B.Sub(s.A)
	turn, same := a.X*b.Y-a.Y*b.X, a.X*b.X+a.Y*b.Y
	if 2*abs(turn) > abs(same) {
		return runs
	}
	length, own := geom.Distance(o.A, o.B), geom.Distance(s.A, s.B)
	// In e's frame s starts at (u, v) and goes (du, dv) for each µm.
	w := s.A.Sub(o.A)
	u := float64(a.X*w.X+a.Y*w.Y) / length
	v := float64(a.X*w.Y-a.Y*w.X) / length
	du := float64(same) / float64(length*own)
	dv := float64(turn) / float64(length*own)
	low, high := 0.0, own
	if turn != 0 {
		k1, k2 := (-within-v)/dv, (within-v)/dv
		low, high = max(low, min(k1, k2)), min(high, max(k1, k2))
	} else if math.Abs(v) > within {
		return runs
	}
	usable := []run{{0, length}}
	if spoilt := c.spoilt[e]; spoilt != nil {
		usable = outside(usable[0], spoilt)
	}
	for _, r := range usable {
		k1, k2 := (r.from-u)/du, (r.to-u)/du
		from, to := max(low, min(k1, k2)), min(high, max(k1, k2))
		if to-from > 0.5 { // less is rounding
			runs = append(runs, run{from, to})
		}
	}
	return runs
}

func abs(v int64) int64 { return max(v, -v) }

// divide adds to kept what is left of l when the covered runs worth it are taken out.
func (d *doubles) divide(kept []worked, l worked, core, covered []run, tolerance float64) []worked {
	along := arcs(nil, l.Points)
	total := along[len(along)-1]
	core, covered = united(core, tolerance), united(covered, tolerance)
	if l.Closed && len(covered) > 1 && covered[0].from <= tolerance && covered[len(covered)-1].to >= total-tolerance {
		// The stretch across the closed line's beginning is one.
		covered[len(covered)-1].to = total + covered[0].to
		covered = covered[1:]
	}
	var taken []run
	for _, r := range covered {
		if !l.Closed && r.from <= tolerance {
			r.from = 0
		}
		if !l.Closed && r.to >= total-tolerance {
			r.to = total
		}
		sure := lengthWithin(core, r, total)
		if r.to-r.from >= total-tolerance && sure >= total/2 {
			d.take(l.Line, l.Points, total)
			return kept
		}
		if sure >= tolerancesWorth*tolerance {
			taken = append(taken, r)
			out := part(l.Points, along, r)
			d.take(l.Line, out, r.to-r.from)
		}
	}
	if len(taken) == 0 {
		return append(kept, l)
	}
	left := outside(run{0, total}, taken)
	if l.Closed {
		left = left[:0]
		for i, r := range taken {
			to := taken[0].from + total
			if i+1 < len(taken) {
				to = taken[i+1].from
			}
			left = append(left, run{r.to, to})
		}
	}
	for _, r := range left {
		if points := part(l.Points, along, r); len(points) > 1 {
			kept = append(kept, worked{Line{l.Group, l.Op, false, points}, true})
		}
	}
	return kept
}

// lengthWithin is how much of r the runs cover; r may reach past the end of a closed line.
func lengthWithin(runs []run, r run, total float64) float64 {
	var sum float64
	for _, c := range runs {
		sum += max(0, min(c.to, r.to)-max(c.from, r.from))
		sum += max(0, min(c.to+total, r.to)-max(c.from+total, r.from))
	}
	return sum
}

// fingerprint is the same for lines of one operation that cover the same way in whatever direction
// and from whatever start.
func fingerprint(l Line) [sha256.Size]byte {
	points := l.Points
	if l.Closed {
		points = geom.Rotated(points, leastPoint(points))
	}
	back := slices.Clone(points)
	slices.Reverse(back)
	if slices.CompareFunc(back, points, geom.Compare) < 0 {
		points = back
	}
	raw := make([]byte, 0, 16*len(points)+1)
	if l.Closed {
		raw = append(raw, 1)
	}
	for _, p := range points {
		raw = binary.BigEndian.AppendUint64(raw, uint64(p.X))
		raw = binary.BigEndian.AppendUint64(raw, uint64(p.Y))
	}
	return sha256.Sum256(raw)
}

func leastPoint(points []geom.Point) int {
	least := 0
	for i, p := range points {
		if geom.Compare(p, points[least]) < 0 {
			least = i
		}
	}
	return least
}
