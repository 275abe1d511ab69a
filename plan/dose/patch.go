package dose

import "math"

// Most of what is burned comes nowhere near being hot, and that can be told without the sums of discs. The
// plane is divided into patches as wide as a disc reaches: a disc with its middle in a patch lies within it
// and the eight around it, and holds no more than these nine got in the last ten seconds. Only where that is more
// than a cool disc may hold are discs summed, from then on until nothing of it is left in the window. Sums
// of discs in other patches lack what was burned while nobody had to know, and so do not come out hot.

const (
	patchBits = 2 // 1 << patchBits = discCells
	// The plane is wound up on a ring of so many patches, one row being ringRow further than the one below.
	// Patches that fall onto each other count as one, which makes the bound higher than it need be, and as
	// good. With a row that is to the ring as the golden section a straight line meets neither itself nor the rows
	// beside it (D. E. Knuth, The Art of Computer Programming 3, 2nd edition 1998, section 6.4, Fibonacci
	// hashing, from memory).
	ringSize = math.MaxUint16 + 1
	ringRow  = 40_503
	// exact is taken from the bound of a patch whose discs' sums lack nothing.
	exact = math.MaxInt64 / 2
)

// patch is a place on the ring.
type patch uint16

// around are the ways to the patches around one, itself among them.
var around = [9]patch{
	ringSize - ringRow - 1, ringSize - ringRow, ringSize - ringRow + 1,
	ringSize - 1, 0, 1,
	ringRow - 1, ringRow, ringRow + 1,
}

// patchAt is the patch of a cell.
func patchAt(x, y int32) patch { return patch(y>>patchBits*ringRow + x>>patchBits) }

// stretch is entries in turn that lie in one patch.
type stretch struct {
	at     patch
	summed bool  // its entries are in the sums of discs
	first  int   // number of its first entry
	before int   // number of the stretch before it in the same patch
	part   int64 // of all its entries
}

// patches bound what discs hold, and know which entries lie where.
type patches struct {
	most      *[ringSize]int64 // by patch, in billionths of one pass, without the stretch under way
	last      *[ringSize]int   // number of the last stretch in a patch
	stretches []stretch        // those of the window, the last one under way
	old       int              // those before it are older than ten seconds
	gone      int              // number of stretches[0]; they are counted from 1
	room      int64            // what the stretch under way may hold before another patch has to be exact
}

func newPatches() patches {
	return patches{most: new([ringSize]int64), last: new([ringSize]int), gone: 1}
}

// begin ends the stretch under way and begins another, first being the number of its first entry.
func (p *patches) begin(at patch, first int) {
	if n := len(p.stretches); n > 0 {
		p.add(p.stretches[n-1].at, p.stretches[n-1].part)
	}
	s := stretch{at: at, first: first, before: p.last[at]}
	p.room, s.summed = p.roomAt(at)
	p.last[at] = p.gone + len(p.stretches)
	p.stretches = append(p.stretches, s)
}

// add adds what a stretch holds to the bounds, or takes it back where it is negative. A patch of which nothing is
// left need no longer be exact.
func (p *patches) add(at patch, part int64) {
	for _, row := range [3]patch{at - ringRow, at, at + ringRow} {
		for _, near := range [3]patch{row - 1, row, row + 1} {
			most := p.most[near] + part
			if most == -exact {
				most = 0
			}
			p.most[near] = most
		}
	}
}

// roomAt is what a stretch in a patch may hold before another patch has to be exact, and whether it has to
// be summed for one that is.
func (p *patches) roomAt(at patch) (room int64, summed bool) {
	most, least := int64(math.MinInt64), int64(math.MaxInt64)
	for _, row := range [3]patch{at - ringRow, at, at + ringRow} {
		a, b, c := p.most[row-1], p.most[row], p.most[row+1]
		most, least = max(most, a, b, c), min(least, a, b, c)
	}
	return stillCool - max(most, -exact/2), least < 0
}

// lastIn is the index of the last stretch in a patch, below 0 where there is none.
func (p *patches) lastIn(at patch) int { return p.last[at] - p.gone }

// forget drops the stretches older than ten seconds that end before an entry.
func (p *patches) forget(first int) {
	n := 0
	for n < p.old && p.stretches[n+1].first <= first {
		n++
	}
	p.gone, p.old = p.gone+n, p.old-n
	p.stretches = append(p.stretches[:0], p.stretches[n:]...)
}
