package geom

// SegmentIndex finds segments near a place: a packed tree of boxes over the segments in the order
// of a curve that fills the plane (Morton order: the bits of x and y in turn), built at once. Unlike
// a grid it does not care how unevenly the segments lie.
type SegmentIndex struct {
	lines   *Polylines
	items   []int32 // leaf → segment; ^k for divided[k]
	divided []int32 // long slanted segments, which have several leaves
	boxes   []indexBox
	levels  []int // where the boxes of each level begin, leaves first; the last entry is the end
}

// indexBox holds coordinates in 32 bits, so that twice as many fit a cache line.
type indexBox struct{ x0, y0, x1, y1 int32 }

func (b indexBox) union(o indexBox) indexBox {
	return indexBox{min(b.x0, o.x0), min(b.y0, o.y0), max(b.x1, o.x1), max(b.y1, o.y1)}
}

func (b indexBox) meets(o indexBox) bool {
	return b.x0 <= o.x1 && o.x0 <= b.x1 && b.y0 <= o.y1 && o.y0 <= b.y1
}

// indexBoxOf is that of a segment.
func indexBoxOf(s Segment) indexBox {
	return indexBox{int32(min(s.A.X, s.B.X)), int32(min(s.A.Y, s.B.Y)), int32(max(s.A.X, s.B.X)), int32(max(s.A.Y, s.B.Y))}
}

// MostIndexedUM bounds the coordinates that a SegmentIndex takes, either way from zero: 1 km.
const MostIndexedUM = 1_000_000_000

const indexFan = 8

// NewSegmentIndex indexes the segments of polylines, whose coordinates must not exceed MostIndexedUM.
// It keeps their points; a segment that is changed afterwards is still found where it was.
func NewSegmentIndex(lines *Polylines) *SegmentIndex {
	x := &SegmentIndex{lines: lines}
	count := lines.Len()
	if count == 0 {
		return x
	}
	// The box of a slanted segment is mostly empty: those twice as slanted as the mean are divided,
	// which adds half as many leaves again at most.
	var slant int64
	for i := range count {
		slant += slantOf(lines.Segment(i))
	}
	longest := 2*slant/int64(count) + 1
	x.boxes, x.items = make([]indexBox, 0, count+count/8), make([]int32, 0, count+count/8)
	for i := range count {
		x.divide(i, longest)
	}
	x.pack()
	return x
}

// divide adds the leaves of segment i, each less slanted than longest.
func (x *SegmentIndex) divide(i int, longest int64) {
	s := x.lines.Segment(i)
	parts := slantOf(s)/longest + 1
	if parts == 1 {
		x.boxes, x.items = append(x.boxes, indexBoxOf(s)), append(x.items, int32(i))
		return
	}
	from, item := s.A, ^int32(len(x.divided))
	x.divided = append(x.divided, int32(i))
	for k := int64(1); k <= parts; k++ {
		to := s.B
		if k < parts {
			to = s.At(float64(k) / float64(parts))
		}
		b := indexBoxOf(Segment{from, to}) // a micrometre off where the ends are rounded
		x.boxes, x.items = append(x.boxes, indexBox{b.x0 - 1, b.y0 - 1, b.x1 + 1, b.y1 + 1}), append(x.items, item)
		from = to
	}
}

func slantOf(s Segment) int64 {
	b := s.Box()
	return min(b.Width(), b.Height())
}

// pack sorts the leaves and builds the levels above them.
func (x *SegmentIndex) pack() {
	leaves := x.boxes
	whole := leaves[0]
	for _, b := range leaves[1:] {
		whole = whole.union(b)
	}
	extent := max(int64(whole.x1)-int64(whole.x0), int64(whole.y1)-int64(whole.y0)) + 1
	keys := make([]uint64, len(leaves)) // over the leaf that it is of
	for i, b := range leaves {
		mx := (int64(b.x0)+int64(b.x1))/2 - int64(whole.x0)
		my := (int64(b.y0)+int64(b.y1))/2 - int64(whole.y0)
		// 16 bits of each; below that the order is that of the segments.
		keys[i] = (spread(uint64(mx<<16/extent))|spread(uint64(my<<16/extent))<<1)<<32 | uint64(i)
	}
	sortHigh(keys)
	items, all := x.items, 0
	for n := len(leaves); n > 1; n = (n + indexFan - 1) / indexFan {
		all += n
	}
	x.items, x.boxes = make([]int32, len(leaves)), make([]indexBox, len(leaves), all+1)
	for k, key := range keys {
		x.items[k], x.boxes[k] = items[uint32(key)], leaves[uint32(key)]
	}
	x.levels = []int{0, len(leaves)}
	for lo, hi := 0, len(leaves); hi-lo > 1; lo, hi = hi, len(x.boxes) {
		for i := lo; i < hi; i += indexFan {
			u := x.boxes[i]
			for _, b := range x.boxes[i+1 : min(i+indexFan, hi)] {
				u = u.union(b)
			}
			x.boxes = append(x.boxes, u)
		}
		x.levels = append(x.levels, len(x.boxes))
	}
}

// spread puts a zero bit before each of the lower 16 bits.
func spread(v uint64) uint64 {
	v = (v | v<<8) & 0x00ff00ff
	v = (v | v<<4) & 0x0f0f0f0f
	v = (v | v<<2) & 0x33333333
	return (v | v<<1) & 0x55555555
}

// SegmentSearch asks an index, one question after the other.
type SegmentSearch struct {
	index *SegmentIndex
	seen  []uint32 // of each divided segment: the number of the question that met it last
	asked uint32
	stack []searchNode
	found []boxedSegment // by Near
	// What Around knows: the segments near those from first to before end.
	first, end int
	grow       int64
	near       []boxedSegment
	// Visits counts the boxes looked at, as a measure of the work.
	Visits int64
}

type searchNode struct{ level, at int32 }

type boxedSegment struct {
	box     indexBox
	segment int32
}

// Search begins asking.
func (x *SegmentIndex) Search() *SegmentSearch {
	return &SegmentSearch{index: x, seen: make([]uint32, len(x.divided))}
}

// Near calls visit once for every segment whose box may meet b, in a fixed order; visit returns
// false to end.
func (s *SegmentSearch) Near(b Box, visit func(segment int) bool) {
	s.found = s.gather(s.found[:0], indexBox{narrow(b.Min.X), narrow(b.Min.Y), narrow(b.Max.X), narrow(b.Max.Y)})
	for _, f := range s.found {
		if !visit(int(f.segment)) {
			return
		}
	}
}

// gather appends the segments of the leaves that meet q, each once, with their boxes.
func (s *SegmentSearch) gather(out []boxedSegment, q indexBox) []boxedSegment {
	x := s.index
	if len(x.items) == 0 {
		return out
	}
	if s.asked++; s.asked == 0 {
		clear(s.seen)
		s.asked = 1
	}
	top := len(x.levels) - 2
	s.stack = append(s.stack[:0], searchNode{int32(top), int32(x.levels[top])})
	for len(s.stack) > 0 {
		n := s.stack[len(s.stack)-1]
		s.stack = s.stack[:len(s.stack)-1]
		lo := int(n.at)
		hi := min(lo+indexFan, x.levels[n.level+1])
		s.Visits += int64(hi - lo)
		if n.level == 0 {
			for i, b := range x.boxes[lo:hi] {
				if b.meets(q) {
					out = s.leaf(out, b, x.items[lo+i])
				}
			}
			continue
		}
		below := x.levels[n.level-1] - x.levels[n.level]*indexFan
		for i := hi - 1; i >= lo; i-- {
			if x.boxes[i].meets(q) {
				s.stack = append(s.stack, searchNode{n.level - 1, int32(below + i*indexFan)})
			}
		}
	}
	return out
}

// leaf appends the segment of a leaf, unless this question has met it.
func (s *SegmentSearch) leaf(out []boxedSegment, b indexBox, item int32) []boxedSegment {
	if item >= 0 {
		return append(out, boxedSegment{b, item})
	}
	if s.seen[^item] == s.asked {
		return out
	}
	s.seen[^item] = s.asked
	segment := s.index.divided[^item]
	return append(out, boxedSegment{indexBoxOf(s.index.lines.Segment(int(segment))), segment})
}

func narrow(v int64) int32 { return int32(max(-2*MostIndexedUM, min(2*MostIndexedUM, v))) }

// windowMost bounds the segments for which Around asks at once.
const windowMost = 16

// Around calls visit once for every segment whose box may meet that of segment i grown by grow µm on
// every side; i itself is among them. visit returns false to end. It is made to be asked for one
// segment after the other: neighbours in the list that are neighbours in the plane share a question.
func (s *SegmentSearch) Around(i int, grow int64, visit func(segment int) bool) {
	if i < s.first || i >= s.end || grow != s.grow {
		s.window(i, grow)
	}
	b := s.index.lines.Segment(i).Box()
	q := indexBox{narrow(b.Min.X - grow), narrow(b.Min.Y - grow), narrow(b.Max.X + grow), narrow(b.Max.Y + grow)}
	s.Visits += int64(len(s.near))
	for k := range s.near {
		if n := &s.near[k]; n.box.meets(q) && !visit(int(n.segment)) {
			return
		}
	}
}

// Forget lets the next Around begin anew, so that what it visits, and in which order, does not depend
// on what was asked before.
func (s *SegmentSearch) Forget() { s.first, s.end = 0, 0 }

// window asks for segment i and those after it, as long as together they stay small.
func (s *SegmentSearch) window(i int, grow int64) {
	lines := s.index.lines
	box := lines.Segment(i).Box()
	single := max(box.Width(), box.Height())
	end := i + 1
	for ; end < lines.Len() && end < i+windowMost; end++ {
		b := lines.Segment(end).Box()
		single = max(single, b.Width(), b.Height())
		u := box.Union(b)
		if max(u.Width(), u.Height()) > 4*single+2*grow {
			break
		}
		box = u
	}
	s.first, s.end, s.grow = i, end, grow
	s.near = s.gather(s.near[:0], indexBox{narrow(box.Min.X - grow), narrow(box.Min.Y - grow), narrow(box.Max.X + grow), narrow(box.Max.Y + grow)})
}
