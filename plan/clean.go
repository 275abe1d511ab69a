package plan

import (
	"crypto/sha256"
	"encoding/binary"
	"slices"

	"kerfgate/plan/geom"
)

// joinWithinUM is how far two open ends may lie apart and still be one point.
const joinWithinUM = 10

// removeDoubles leaves one of lines that are drawn exactly twice under one operation, in whatever
// direction and from whatever start. removedUM is the length that goes.
func removeDoubles(lines []line) (kept []line, removedUM int64) {
	seen := make(map[[sha256.Size]byte]bool, len(lines))
	for _, l := range lines {
		k := fingerprint(l)
		if seen[k] {
			removedUM += geom.Length(l.points)
			continue
		}
		seen[k] = true
		kept = append(kept, l)
	}
	return kept, removedUM
}

// fingerprint is the same for lines that cover the same way under the same operation.
func fingerprint(l line) [sha256.Size]byte {
	points := l.points
	if l.closed {
		points = rotated(points, leastPoint(points))
	}
	back := slices.Clone(points)
	slices.Reverse(back)
	if slices.CompareFunc(back, points, comparePoints) < 0 {
		points = back
	}
	h := sha256.New()
	h.Write([]byte(l.op))
	if l.closed {
		h.Write([]byte{1})
	}
	var raw [16]byte
	for _, p := range points {
		binary.BigEndian.PutUint64(raw[:8], uint64(p.X))
		binary.BigEndian.PutUint64(raw[8:], uint64(p.Y))
		h.Write(raw[:])
	}
	return [sha256.Size]byte(h.Sum(nil))
}

func comparePoints(a, b geom.Point) int {
	if a.X != b.X {
		if a.X < b.X {
			return -1
		}
		return 1
	}
	switch {
	case a.Y < b.Y:
		return -1
	case a.Y > b.Y:
		return 1
	}
	return 0
}

func leastPoint(points []geom.Point) int {
	least := 0
	for i, p := range points {
		if comparePoints(p, points[least]) < 0 {
			least = i
		}
	}
	return least
}

// rotated is the closed polyline started, and ended, at its i-th point.
func rotated(points []geom.Point, i int) []geom.Point {
	n := len(points) - 1
	out := make([]geom.Point, 0, n+1)
	for k := range n + 1 {
		out = append(out, points[(i+k)%n])
	}
	return out
}

// join makes one line of those of one group whose open ends meet within joinWithinUM, and closes
// lines whose own ends meet. Where three or more ends meet nothing is joined: which of them belong
// together is not for the planner to guess.
func join(lines []line) []line {
	partner := partners(lines)
	used := make([]bool, len(lines))
	var out []line
	for i, l := range lines {
		if used[i] {
			continue
		}
		if l.closed {
			out = append(out, l)
			continue
		}
		// Go back to the chain's beginning; a ring begins where it was entered.
		begin := 2 * i
		for p := partner[begin]; p >= 0 && p/2 != i; p = partner[begin] {
			begin = p ^ 1
		}
		var points []geom.Point
		for end := begin; ; {
			k := end / 2
			used[k] = true
			part := lines[k].points
			if end%2 == 1 {
				part = slices.Clone(part)
				slices.Reverse(part)
			}
			if len(points) > 0 {
				part = part[1:]
			}
			points = append(points, part...)
			next := partner[end^1]
			if next < 0 || used[next/2] {
				break
			}
			end = next
		}
		first, last := points[0], points[len(points)-1]
		joined := line{group: l.group, op: l.op, points: points}
		if len(points) > 3 && meets(first, last) {
			points[len(points)-1] = first
			if n := len(points); points[n-2] == first {
				joined.points = points[:n-1]
			}
			joined.closed = len(joined.points) > 3
		}
		out = append(out, joined)
	}
	return out
}

func meets(p, q geom.Point) bool {
	dx, dy := p.X-q.X, p.Y-q.Y
	return dx*dx+dy*dy <= joinWithinUM*joinWithinUM
}

// partners gives for every end (2i is the first point of line i, 2i+1 its last) the only other end
// that meets it, or −1.
func partners(lines []line) []int {
	type cell struct {
		group int
		x, y  int64
	}
	at := func(end int) geom.Point {
		l := lines[end/2]
		if end%2 == 0 {
			return l.points[0]
		}
		return l.points[len(l.points)-1]
	}
	cellOf := func(end int, dx, dy int64) cell {
		p := at(end)
		return cell{lines[end/2].group, floorDiv(p.X, joinWithinUM) + dx, floorDiv(p.Y, joinWithinUM) + dy}
	}
	cells := map[cell][]int{}
	for i, l := range lines {
		if !l.closed {
			for end := 2 * i; end <= 2*i+1; end++ {
				c := cellOf(end, 0, 0)
				cells[c] = append(cells[c], end)
			}
		}
	}
	only := make([]int, 2*len(lines))
	for end := range only {
		only[end] = -1
		if lines[end/2].closed {
			continue
		}
		found := 0
		for dx := int64(-1); dx <= 1 && found < 2; dx++ {
			for dy := int64(-1); dy <= 1 && found < 2; dy++ {
				for _, other := range cells[cellOf(end, dx, dy)] {
					if other != end && meets(at(end), at(other)) {
						only[end] = other
						found++
						if found == 2 {
							break
						}
					}
				}
			}
		}
		if found != 1 {
			only[end] = -1
		}
	}
	for end, other := range only {
		if other >= 0 && only[other] != end {
			only[end] = -1
		}
	}
	return only
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
