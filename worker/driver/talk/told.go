package talk

import (
	"math"
	"strconv"
	"strings"

	"kerfgate/plan/geom"
)

// told is one line that the machine took, with what it left behind: where the carriage ends, and how the tool
// was told to be.
type told struct {
	text     string
	from, to geom.Point
	ways     int // 0 and 1 for a move by G0 and G1, −1 for a line that moves nothing
	feed     float64
	ready    bool  // by M3
	level    int64 // by S, thousandths
}

// works says whether the line moves with the tool on.
func (t told) works() bool { return t.ways == 1 && t.ready && t.level > 0 && t.from != t.to }

// mostTold bounds how many lines are remembered.
const mostTold = 2048

// memory is what the machine was told last, in order. Lines that are older than what it may be owed have been
// carried out.
type memory struct {
	lines []told
	last  told
	known bool // where the last line ends
}

// add reads a line that was taken.
func (m *memory) add(text string) {
	t := m.last
	t.text, t.from, t.ways = text, m.last.to, -1
	moves, way := false, m.last.way()
	for _, w := range strings.Fields(text) {
		v, err := strconv.ParseFloat(w[1:], 64)
		if err != nil {
			continue
		}
		um := int64(math.Round(v * 1000))
		switch w[0] {
		case 'G':
			if v == 0 || v == 1 {
				way = int(v)
			}
		case 'X':
			t.to.X, moves = um, true
		case 'Y':
			t.to.Y, moves = um, true
		case 'F':
			t.feed = v
		case 'S':
			t.level = int64(v)
		case 'M':
			t.ready = v == 3
		}
	}
	if moves {
		t.ways = way
	}
	if !m.known {
		t.from = t.to // nobody said where the carriage began
		m.known = moves
	}
	m.last = t
	if len(m.lines) >= mostTold {
		m.lines = append(m.lines[:0], m.lines[len(m.lines)/2:]...)
	}
	m.lines = append(m.lines, t)
}

// way is the motion word that stands when a line names none; lines of the planner name one each.
func (t told) way() int { return max(0, t.ways) }

// since are the lines that the machine may not have carried out: as many of the last ones as it may be owed, and the
// one before them, in which it may be. All that are remembered where nothing bounds what it may be owed.
func (m *memory) since(owed int64) []told {
	if owed <= 0 {
		return m.lines
	}
	i := len(m.lines)
	for ; i > 0 && owed > 0; i-- {
		owed -= int64(len(m.lines[i-1].text)) + 1
	}
	return m.lines[max(0, i-1):]
}
