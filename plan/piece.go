package plan

import (
	"math"

	"kerfgate/plan/geom"
)

// nesting tells which cut line lies in which.
type nesting struct {
	parents []int   // smallest closed cut line that holds each line, −1 for none or no cut
	number  []int64 // of the piece that a line frees; filled by pieces
}

// nest looks at cut lines only: what is marked or engraved does not come loose.
func nest(lines []line) nesting {
	var cuts []int
	var outlines [][]geom.Point
	var closed []bool
	for i, l := range lines {
		if l.op == Cut {
			cuts = append(cuts, i)
			outlines = append(outlines, l.points)
			closed = append(closed, l.closed)
		}
	}
	n := nesting{parents: make([]int, len(lines)), number: make([]int64, len(lines))}
	for i := range n.parents {
		n.parents[i] = -1
	}
	for k, p := range geom.Nest(outlines, closed) {
		if p >= 0 {
			n.parents[cuts[k]] = cuts[p]
		}
	}
	return n
}

// depth counts the lines around one.
func (n nesting) depth(i int) int {
	d := 0
	for p := n.parents[i]; p >= 0; p = n.parents[p] {
		d++
	}
	return d
}

// pieces numbers what closed cuts free, in running order: an outermost outline frees a piece, a
// hole in it a drop-out, an outline within the hole a piece again. Areas are without the holes.
func (n nesting) pieces(lines []line, visits []visit) []Piece {
	pieces := []Piece{}
	areas := make([]float64, len(lines))
	for i, l := range lines {
		if l.op == Cut && l.closed {
			a := math.Abs(geom.Area(l.points))
			areas[i] += a
			if p := n.parents[i]; p >= 0 {
				areas[p] -= a
			}
		}
	}
	for _, v := range visits {
		l := lines[v.item]
		if l.op != Cut || !l.closed {
			continue
		}
		box, _ := geom.BoxOf(l.points...)
		number := int64(len(pieces) + 1)
		n.number[v.item] = number
		pieces = append(pieces, Piece{
			Number: number, Dropout: n.depth(v.item)%2 == 1, Extents: box,
			AreaMM2: int64(math.Round(max(0, areas[v.item]) / 1e6)),
		})
	}
	return pieces
}
