package simulated

import (
	"math"

	"kerfgate/plan/geom"
)

const (
	cellUM   = 250 // side of a cell of the dose grid
	tileSide = 64  // cells along a tile's side
	// grainMM is how far apart, at most, energy is laid down along a path.
	grainMM = float64(cellUM) / 4000
	// mostPoints bounds the burned lines that are remembered; the grid and the sums go on.
	mostPoints = 2 << 20
)

// tile is a square of the dose grid; tiles come into being where the tool has been.
type tile [tileSide * tileSide]float32

// sheet is what was done to the material since it was laid: burned lines and a grid of dose, within
// the travel. With a pen the grid holds micrometres of line instead of millijoules.
type sheet struct {
	box      geom.Box
	ink      bool
	tiles    map[[2]int64]*tile
	lines    [][]geom.Point
	points   int
	open     bool // the last line goes on
	taken    bool // the next line may go on where the last one ended
	lastID   int
	lengthMM float64
	energyMJ float64
}

func newSheet(box geom.Box, ink bool) *sheet {
	return &sheet{box: box, ink: ink, tiles: map[[2]int64]*tile{}}
}

// burn records a leg with the tool on: line, length, energy (mW·s = mJ), dose.
func (s *sheet) burn(l leg, powerMW float64) {
	length := l.v*l.dt + l.a*l.dt*l.dt/2
	s.lengthMM += length
	s.energyMJ += powerMW * l.dt
	s.trace(l, length)
	fastest := max(l.v, l.v+l.a*l.dt)
	n := max(int(math.Ceil(fastest*l.dt/grainMM)), 1)
	dt := l.dt / float64(n)
	share := powerMW * dt
	if s.ink {
		share = length * 1000 / float64(n)
	}
	// Equal shares at equal times: where the carriage is slow the dose is high.
	for i := range n {
		t := (float64(i) + 0.5) * dt
		s.lay(l.from.along(l.unit, l.v*t+l.a*t*t/2), share)
	}
}

// trace carries the burned line on.
func (s *sheet) trace(l leg, length float64) {
	from, to := um(l.from), um(l.from.along(l.unit, length))
	if !s.open {
		s.open = true
		if !s.goesOn(from) {
			s.lines = append(s.lines, []geom.Point{from})
			s.points++
			s.lastID = -1
		}
		s.taken = false
	}
	if length == 0 || s.points >= mostPoints {
		return
	}
	last := &s.lines[len(s.lines)-1]
	if l.id == s.lastID {
		(*last)[len(*last)-1] = to
		return
	}
	*last = append(*last, to)
	s.points++
	s.lastID = l.id
}

// goesOn says whether a line that starts here is the last one taken up again.
func (s *sheet) goesOn(from geom.Point) bool {
	if !s.taken || len(s.lines) == 0 {
		return false
	}
	last := s.lines[len(s.lines)-1]
	d := last[len(last)-1].Sub(from)
	return max(d.X, -d.X) <= 1 && max(d.Y, -d.Y) <= 1
}

// lift ends the burned line.
func (s *sheet) lift() { s.open = false }

// takeUp lets the next line go on where the last one ended.
func (s *sheet) takeUp() { s.taken = true }

// lay puts a share of dose into the cell at a place; outside the travel there is no sheet.
func (s *sheet) lay(at vec, share float64) {
	p := um(at).Sub(s.box.Min)
	if p.X < 0 || p.Y < 0 || p.X > s.box.Width() || p.Y > s.box.Height() {
		return
	}
	x, y := p.X/cellUM, p.Y/cellUM
	key := [2]int64{x / tileSide, y / tileSide}
	t := s.tiles[key]
	if t == nil {
		t = new(tile)
		s.tiles[key] = t
	}
	t[y%tileSide*tileSide+x%tileSide] += float32(share)
}

// peak is the greatest dose of a cell, in millijoules, and the cell's middle.
func (s *sheet) peak() (float64, geom.Point) {
	var most float32
	var at geom.Point
	for key, t := range s.tiles {
		for i, v := range t {
			if v > most {
				most = v
				x, y := key[0]*tileSide+int64(i%tileSide), key[1]*tileSide+int64(i/tileSide)
				at = s.box.Min.Add(geom.Pt(x*cellUM+cellUM/2, y*cellUM+cellUM/2))
			}
		}
	}
	return float64(most), at
}

// copy is the sheet as it is now, to be drawn while the machine goes on.
func (s *sheet) copy() *sheet {
	c := *s
	c.tiles = make(map[[2]int64]*tile, len(s.tiles))
	for key, t := range s.tiles {
		same := *t
		c.tiles[key] = &same
	}
	c.lines = make([][]geom.Point, 0, len(s.lines))
	for _, line := range s.lines {
		if len(line) > 1 {
			c.lines = append(c.lines, append([]geom.Point(nil), line...))
		}
	}
	return &c
}
