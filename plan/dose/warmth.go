package dose

import (
	"math"
	"slices"
)

// warmth holds, for each cell of the finest grid, what the disc around it got in the last ten
// seconds, in billionths of one pass.
type warmth struct {
	tiles map[[2]int32]*warm
	near  [16]warmNear // tiles that were used lately
	spare []*warm      // as good as new
}

// A tile is so wide that few discs reach over its edge, and about 160 KiB large.
const (
	warmBits = 7
	warmSide = 1 << warmBits         // cells along a tile's side
	warmEdge = 2 * discCells         // cells around it
	warmRow  = warmSide + 2*warmEdge // cells from row to row
)

// stillCool is the most, in billionths of one pass, that a disc may hold without being hot.
const stillCool = hotPermille * (onePass / 1000)

// warm is a tile of discs' sums. They are kept less stillCool + 1, so that all those of a disc's
// neighbourhood can be told to be cool by the sign of their bits taken together. Around the tile lie sums
// that hold only some of what their discs got, so that no disc need be cut off at the edge; they count
// for nothing. The last entry that reaches into it leaves a tile as it was when it was new.
type warm struct {
	sums [warmRow * warmRow]int64
	live int // entries that reach into it
}

type warmNear struct {
	x, y int32
	tile *warm
}

func newWarmth() warmth { return warmth{tiles: map[[2]int32]*warm{}} }

// discRows is how far a disc reaches to each side of its middle, by row.
var discRows = [discSide]int32{0, 2, 3, 3, 4, 3, 3, 2, 0}

func inDisc(dx, dy int32) bool {
	return int64(dx)*int64(dx)+int64(dy)*int64(dy) <= discCells*discCells
}

// tile gives the tile with a place, made if need be.
func (w *warmth) tile(x, y int32) *warm {
	n := &w.near[x&3|y&3<<2]
	if n.tile != nil && n.x == x && n.y == y {
		return n.tile
	}
	t := w.tiles[[2]int32{x, y}]
	if t == nil {
		if last := len(w.spare) - 1; last >= 0 {
			t, w.spare = w.spare[last], w.spare[:last]
		} else {
			t = new(warm)
			for i := range t.sums {
				t.sums[i] = -stillCool - 1
			}
		}
		w.tiles[[2]int32{x, y}] = t
	}
	*n = warmNear{x, y, t}
	return t
}

// free gives a tile back that nothing reaches into.
func (w *warmth) free(x, y int32, t *warm) {
	delete(w.tiles, [2]int32{x, y})
	if n := &w.near[x&3|y&3<<2]; n.tile == t {
		n.tile = nil
	}
	w.spare = append(w.spare, t)
}

// spread adds a part to all discs that hold a cell, live being 1, or takes it away, live being −1, and
// says whether one of these discs is then hot.
func (w *warmth) spread(x, y int32, part int64, live int) (hot bool) {
	left, right := (x-discCells)>>warmBits, (x+discCells)>>warmBits
	for ty := (y - discCells) >> warmBits; ty <= (y+discCells)>>warmBits; ty++ {
		for tx := left; tx <= right; tx++ {
			t := w.tile(tx, ty)
			hot = t.lift(warmAt(x-tx*warmSide, y-ty*warmSide), part) >= 0 || hot
			if t.live += live; t.live == 0 {
				w.free(tx, ty, t)
			}
		}
	}
	return hot
}

// warmAt is where a tile holds the disc with its middle in a cell, counted from the tile's corner.
func warmAt(x, y int32) int { return int(y+warmEdge)*warmRow + int(x+warmEdge) }

// lift is spread for one tile, row by row as in discRows.
func (t *warm) lift(at int, part int64) (cool int64) {
	const up = warmRow
	s := t.sums[at-4*up : at+4*up+1]
	s[0] += part
	s[8*up] += part
	return s[0] & s[8*up] &
		lift5((*[5]int64)(s[1*up-2:]), part) & lift7((*[7]int64)(s[2*up-3:]), part) & lift7((*[7]int64)(s[3*up-3:]), part) &
		lift9((*[9]int64)(s[4*up-4:]), part) &
		lift7((*[7]int64)(s[5*up-3:]), part) & lift7((*[7]int64)(s[6*up-3:]), part) & lift5((*[5]int64)(s[7*up-2:]), part)
}

func lift5(r *[5]int64, part int64) int64 {
	a, b, c, d, e := r[0]+part, r[1]+part, r[2]+part, r[3]+part, r[4]+part
	r[0], r[1], r[2], r[3], r[4] = a, b, c, d, e
	return a & b & c & d & e
}

func lift7(r *[7]int64, part int64) int64 {
	a, b, c, d, e, f, g := r[0]+part, r[1]+part, r[2]+part, r[3]+part, r[4]+part, r[5]+part, r[6]+part
	r[0], r[1], r[2], r[3], r[4], r[5], r[6] = a, b, c, d, e, f, g
	return a & b & c & d & e & f & g
}

func lift9(r *[9]int64, part int64) int64 {
	a, b, c, d, e, f, g, h, i := r[0]+part, r[1]+part, r[2]+part, r[3]+part, r[4]+part, r[5]+part, r[6]+part, r[7]+part, r[8]+part
	r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7], r[8] = a, b, c, d, e, f, g, h, i
	return a & b & c & d & e & f & g & h & i
}

// hottest is the middle of the first disc around a cell that holds most, by row and column, and what it
// holds.
func (w *warmth) hottest(x, y int32) (atX, atY int32, most int64) {
	tx, ty := x>>warmBits, y>>warmBits
	if left, low := x-discCells, y-discCells; left>>warmBits == tx && low>>warmBits == ty &&
		(x+discCells)>>warmBits == tx && (y+discCells)>>warmBits == ty {
		dx, dy, most := w.tile(tx, ty).hottest(warmAt(x-tx*warmSide, y-ty*warmSide))
		return x + dx, y + dy, most + stillCool + 1
	}
	most = math.MinInt64
	for row := y - discCells; row <= y+discCells; row++ {
		wide := discRows[row-y+discCells]
		for column := x - wide; column <= x+wide; column++ {
			t := w.tile(column>>warmBits, row>>warmBits)
			if sum := t.sums[warmAt(column&(warmSide-1), row&(warmSide-1))]; sum > most {
				atX, atY, most = column, row, sum
			}
		}
	}
	return atX, atY, most + stillCool + 1
}

// hottest is the same within one tile, as the way from the cell.
func (t *warm) hottest(at int) (dx, dy int32, most int64) {
	const up = warmRow
	s := t.sums[at-4*up : at+4*up+1]
	rows := [discSide]int64{
		s[0], most5((*[5]int64)(s[1*up-2:])), most7((*[7]int64)(s[2*up-3:])), most7((*[7]int64)(s[3*up-3:])),
		most9((*[9]int64)(s[4*up-4:])),
		most7((*[7]int64)(s[5*up-3:])), most7((*[7]int64)(s[6*up-3:])), most5((*[5]int64)(s[7*up-2:])), s[8*up],
	}
	most = most9(&rows)
	row := slices.Index(rows[:], most)
	wide := int(discRows[row])
	column := slices.Index(s[row*up-wide:], most)
	return int32(column - wide), int32(row - discCells), most
}

func most5(r *[5]int64) int64 { return max(r[0], r[1], r[2], r[3], r[4]) }

func most7(r *[7]int64) int64 { return max(r[0], r[1], r[2], r[3], r[4], r[5], r[6]) }

func most9(r *[9]int64) int64 {
	return max(r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7], r[8])
}
