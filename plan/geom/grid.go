package geom

// cells sorts segments into the square cells that they pass through, so that only neighbours are
// held against each other. A cell is about as large as the mean segment is long: then all segments
// together pass through a few cells each, however long single ones are.
type cells struct {
	origin Point
	size   int64
}

// inCell says that an item passes through a cell: the cell's number over the item's, 32 bits each.
type inCell uint64

func (i inCell) cell() uint32 { return uint32(i >> 32) }
func (i inCell) item() int32  { return int32(uint32(i)) }

func place(cell uint32, item int) inCell { return inCell(cell)<<32 | inCell(uint32(item)) }

// leastCell keeps the rounding of a micrometre small against the cell.
const leastCell = 16

func newCells(box Box, totalLength float64, segments int) cells {
	mean := int64(totalLength / float64(max(1, segments)))
	// Column and row take 16 bits each.
	return cells{origin: box.Min, size: max(leastCell, mean/2, max(box.Width(), box.Height())>>16+1)}
}

func (c cells) column(x int64) int64 { return FloorDiv(x-c.origin.X, c.size) }
func (c cells) row(y int64) int64    { return FloorDiv(y-c.origin.Y, c.size) }

func (c cells) key(column, row int64) uint32 { return uint32(column<<16 | row) }

func (c cells) of(p Point) uint32 { return c.key(c.column(p.X), c.row(p.Y)) }

// pass calls visit for every cell that the segment from a to b passes through, and perhaps for some
// beside it. Cells are made of whole pixels of the micrometre grid, each half a micrometre around
// its point.
func (c cells) pass(a, b Point, visit func(cell uint32)) {
	if b.X < a.X {
		a, b = b, a
	}
	dx, dy := b.X-a.X, b.Y-a.Y
	at := func(x int64) int64 { // y at x, rounded down
		x = min(max(x, a.X), b.X)
		return a.Y + FloorDiv((x-a.X)*dy, dx)
	}
	for k, last := c.column(a.X), c.column(b.X); k <= last; k++ {
		low, high := min(a.Y, b.Y), max(a.Y, b.Y)
		if dx > 0 {
			p, q := at(c.origin.X+k*c.size-1), at(c.origin.X+(k+1)*c.size)
			low, high = min(p, q), min(high, max(p, q)+1)
		}
		for r, top := c.row(low), c.row(high); r <= top; r++ {
			visit(c.key(k, r))
		}
	}
}

// nextCell splits the items of the first cell off a sorted list.
func nextCell(sorted []inCell) (items, rest []inCell) {
	n := 1
	for n < len(sorted) && sorted[n].cell() == sorted[0].cell() {
		n++
	}
	return sorted[:n], sorted[n:]
}

// FloorDiv is a/b rounded down, b not 0.
func FloorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}
