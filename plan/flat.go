package plan

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"

	"kerfgate/plan/contour"
	"kerfgate/plan/drawing"
	"kerfgate/plan/engrave"
	"kerfgate/plan/geom"
)

// flat is a drawing's shapes as polylines in whole µm with y growing upwards.
type flat struct {
	lines     []contour.Line
	areas     [][]engrave.Area // to be engraved, by group
	doubledUM int64            // of areas that were drawn twice and are left out
}

// flatten leaves out what has no length. What engraved shapes enclose is kept as areas; only the open
// lines of a shape that is not filled stay lines, since they may bound an area together. The error is a
// Reason's text when there are too many points.
func (m *maker) flatten(d *drawing.Drawing, g grouping) (flat, error) {
	f := flat{areas: make([][]engrave.Area, len(g.groups))}
	slack := float64(tolerance(m.req.Profile.SmallestStepUM)) / 1000
	left := mostLinePoints
	seen := map[[sha256.Size]byte]bool{} // areas that are not painted
	for i, s := range d.Shapes {
		group := g.shapes[i]
		engraved, filled := m.ops[group] == Engrave, s.Fill != "none"
		area := engrave.Area{EvenOdd: s.EvenOdd, Painted: filled}
		for _, path := range s.Paths {
			corners, ok := path.Flatten(slack, left)
			if !ok {
				return flat{}, fmt.Errorf("more than %d points are needed to follow the curves", mostLinePoints)
			}
			left -= len(corners)
			points := make([]geom.Point, 0, len(corners))
			for _, c := range corners {
				points = appendPoint(points, geom.Pt(geom.Micrometres(c.X), geom.Micrometres(-c.Y)))
			}
			if len(points) < 2 {
				continue
			}
			g.groups[group].LengthUM += geom.Length(points)
			closed := path.Closed && len(points) > 3 && points[0] == points[len(points)-1]
			switch {
			case engraved && closed:
				area.Outlines = append(area.Outlines, points)
			case engraved && filled && len(points) > 2: // filled as if it were closed
				area.Outlines = append(area.Outlines, appendPoint(points, points[0]))
			default:
				f.lines = append(f.lines, contour.Line{Group: group, Op: string(m.ops[group]), Closed: closed, Points: points})
			}
		}
		if len(area.Outlines) == 0 {
			continue
		}
		if !filled { // one over the other they would undo each other
			key := drawnAs(group, area.Outlines)
			if seen[key] {
				for _, points := range area.Outlines {
					f.doubledUM += geom.Length(points)
				}
				continue
			}
			seen[key] = true
		}
		f.areas[group] = append(f.areas[group], area)
	}
	return f, nil
}

// drawnAs is the same for outlines that are the same wherever they begin and whichever way they go.
func drawnAs(group int, outlines [][]geom.Point) (key [sha256.Size]byte) {
	h := sha256.New()
	var word [8]byte
	write := func(v int64) {
		binary.LittleEndian.PutUint64(word[:], uint64(v))
		h.Write(word[:])
	}
	write(int64(group))
	for _, points := range outlines {
		n := len(points) - 1 // the last is the first
		begin := 0
		for i := range n {
			if geom.Compare(points[i], points[begin]) < 0 {
				begin = i
			}
		}
		step := 1
		if geom.Compare(points[(begin+n-1)%n], points[(begin+1)%n]) < 0 {
			step = n - 1
		}
		write(int64(n))
		for i, k := 0, begin; i < n; i, k = i+1, (k+step)%n {
			write(points[k].X)
			write(points[k].Y)
		}
	}
	return [sha256.Size]byte(h.Sum(nil))
}

// fillColours is how many colours the filled shapes of a group have.
func fillColours(d *drawing.Drawing, g grouping, group int) int {
	var colours []string
	for i, s := range d.Shapes {
		if g.shapes[i] == group && s.Fill != "none" && !slices.Contains(colours, s.Fill) {
			colours = append(colours, s.Fill)
		}
	}
	return len(colours)
}
