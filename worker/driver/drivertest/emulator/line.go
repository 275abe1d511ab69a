package emulator

import (
	"fmt"
	"math"
	"strconv"
)

// read takes one line: G0, G1, G4, G21, G28, G90, M2, M3, M5 with X, Y, F, S, P (ISO 6983-1; P in
// seconds is this machine's own choice). Nothing is changed when it is refused.
func (c *Carriage) read(line string) error {
	n := map[byte]float64{}
	g, m := -1, -1
	for _, w := range fields(line) {
		v, err := strconv.ParseFloat(w[1:], 64)
		if err != nil || math.Abs(v) > 1e6 {
			return fmt.Errorf("what is %s", w)
		}
		switch w[0] {
		case 'G':
			switch int(v) {
			case 0, 1, 4, 28:
				g = int(v)
			case 21, 90:
			default:
				return fmt.Errorf("what is %s", w)
			}
		case 'M':
			if m = int(v); m != 2 && m != 3 && m != 5 {
				return fmt.Errorf("what is %s", w)
			}
		case 'X', 'Y', 'F', 'S', 'P':
			n[w[0]] = v
		default:
			return fmt.Errorf("what is %s", w)
		}
	}
	items, err := c.items(g, m, n)
	if err != nil || len(items) == 0 {
		return err
	}
	items[len(items)-1].bytes = len(line) + 1
	c.owed += len(line) + 1
	c.queue = append(c.queue, items...)
	return nil
}

func (c *Carriage) items(g, m int, n map[byte]float64) (items []item, err error) {
	_, x := n['X']
	_, y := n['Y']
	moves := x || y
	switch {
	case m == 3 && c.locked:
		return nil, fmt.Errorf("the tool is locked")
	case moves && !c.willBe:
		return nil, fmt.Errorf("not sure where I am")
	case moves && g != 0 && g != 1:
		return nil, fmt.Errorf("a place but no way")
	}
	feed := c.feed
	if f, ok := n['F']; ok {
		feed = f / 60
	}
	if moves && g == 1 && feed <= 0 {
		return nil, fmt.Errorf("how fast")
	}
	c.feed = feed
	if m == 3 {
		c.prog = true
		it := item{kind: 'o'}
		it.level, it.levels = n['S']
		items = append(items, it)
	}
	if g == 28 {
		items = append(items, item{kind: 'f'}, item{kind: 'h', left: homeS})
		c.nextX, c.nextY, c.willBe, c.prog = 0, 0, true, false
	}
	if g == 4 {
		items = append(items, item{kind: 'd', left: n['P']})
	}
	if moves {
		if x {
			c.nextX = n['X']
		}
		if y {
			c.nextY = n['Y']
		}
		speed := 200.0
		if g == 1 {
			speed = c.feed
		}
		it := item{kind: 'm', x: c.nextX, y: c.nextY, speed: speed}
		it.level, it.levels = n['S']
		items = append(items, it)
	}
	if m == 5 || m == 2 {
		c.prog = false
		items = append(items, item{kind: 'f'})
	}
	return items, nil
}
