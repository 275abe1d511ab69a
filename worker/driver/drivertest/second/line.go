package main

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Ways of a line to take time.
const (
	noMotion = iota
	straight // to a place at a speed
	dwell
	homing
)

// modal is what ISO 6983-1 lets stand from one line to the next.
type modal struct {
	way    int     // noMotion or straight, for a line that gives only a place
	rapid  bool    // G0 rather than G1
	feed   float64 // mm/min, 0 = never given
	power  int64   // thousandths of full, -1 = never given
	placed bool    // the axes have their place
}

// line is one line that was understood.
type line struct {
	bytes       int // as sent, without its end
	way         int
	x, y        float64 // where straight goes, mm
	hasX, hasY  bool
	speed       float64 // mm/s of straight
	seconds     float64 // of dwell
	toolOn, off bool    // M3 before the motion, M5 or M2 after it
	setsPower   bool
	after       modal // what stands when it has been carried out
}

var (
	word   = regexp.MustCompile(`^([GMXYFPS])([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))`)
	blanks = " \t"
)

// understand reads a line as ISO 6983-1 has it, after what stands. It changes nothing; the error is the refusal.
func understand(text string, before modal) (line, error) {
	l := line{bytes: len(text), after: before}
	seen := map[byte]bool{}
	value := map[byte]float64{}
	ways := 0
	for rest := strings.Trim(text, blanks); rest != ""; rest = strings.TrimLeft(rest, blanks) {
		m := word.FindStringSubmatch(rest)
		if m == nil {
			return line{}, fmt.Errorf("i know no word that begins %q", short(rest))
		}
		rest = rest[len(m[0]):]
		v, err := strconv.ParseFloat(m[2], 64)
		if err != nil || math.Abs(v) > 1e6 {
			return line{}, fmt.Errorf("%s is no number for me", m[0])
		}
		letter := m[1][0]
		switch letter {
		case 'G':
			err = l.general(v, &ways)
		case 'M':
			if seen['M'] {
				return line{}, errors.New("one M in a line is enough")
			}
			err = l.miscellaneous(v)
		default:
			if seen[letter] {
				return line{}, fmt.Errorf("%c stands twice", letter)
			}
			value[letter] = v
		}
		if err != nil {
			return line{}, err
		}
		seen[letter] = true
	}
	return l, l.complete(seen, value, ways)
}

func (l *line) general(v float64, ways *int) error {
	switch v {
	case 0, 1:
		l.way, l.after.way, l.after.rapid = straight, straight, v == 0
		*ways++
	case 4:
		l.way = dwell
		*ways++
	case 28:
		l.way = homing
		*ways++
	case 21, 90: // millimetres from one origin: all that this machine knows
	default:
		return fmt.Errorf("i know no G%g", v)
	}
	if *ways > 1 {
		return errors.New("one way to go in a line is enough")
	}
	return nil
}

func (l *line) miscellaneous(v float64) error {
	switch v {
	case 3:
		l.toolOn = true
	case 2, 5:
		l.off = true
	default:
		return fmt.Errorf("i know no M%g", v)
	}
	return nil
}

// complete puts the words of a line together and refuses those that do not belong.
func (l *line) complete(seen map[byte]bool, value map[byte]float64, ways int) error {
	place := seen['X'] || seen['Y']
	if ways == 0 && place {
		if l.after.way != straight {
			return errors.New("a place, but no G0 or G1 was ever said")
		}
		l.way = straight
	}
	if seen['F'] {
		if value['F'] <= 0 {
			return errors.New("no such speed, F must be above zero")
		}
		l.after.feed = value['F']
	}
	if seen['P'] != (l.way == dwell) {
		return errors.New("a wait is G4 with P")
	}
	if l.seconds = value['P']; l.seconds < 0 {
		return errors.New("no such time, P must not be below zero")
	}
	if seen['S'] {
		s := value['S']
		if s != math.Trunc(s) || s < 0 || s > 1000 {
			return errors.New("no such power, S is thousandths, 0 to 1000")
		}
		if !l.toolOn && (l.way != straight || l.after.rapid) {
			return errors.New("power stands with M3 or in a G1 line")
		}
		l.setsPower, l.after.power = true, int64(s)
	}
	if l.toolOn && l.after.power < 0 {
		return errors.New("tool on, but how much S was never said")
	}
	switch l.way {
	case straight:
		return l.travel(place, seen, value)
	case dwell, homing:
		if place {
			return errors.New("a place does not belong there")
		}
	}
	if l.way == homing {
		l.after.placed = true
	}
	return nil
}

func (l *line) travel(place bool, seen map[byte]bool, value map[byte]float64) error {
	if !place {
		l.way = noMotion // G1 S…: power alone
		return nil
	}
	if !l.after.placed {
		return errors.New("i do not know where i am, G28 first")
	}
	l.speed = rapidMMPerMin / 60.0
	if !l.after.rapid {
		if l.after.feed == 0 {
			return errors.New("going, but how fast was never said")
		}
		l.speed = l.after.feed / 60
	}
	l.x, l.y, l.hasX, l.hasY = value['X'], value['Y'], seen['X'], seen['Y']
	return nil
}

func short(s string) string {
	if len(s) > 12 {
		s = s[:12]
	}
	return s
}
