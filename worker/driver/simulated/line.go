package simulated

import (
	"fmt"
	"strconv"
	"strings"
)

// Bounds on what a line may say.
const (
	furthestMM    = 10_000.0
	fastestMMMin  = 600_000.0
	longestWaitS  = 60.0
	fullPower     = 1000.0
	longestLine   = 160 // bytes without the line end
	mostDecimals  = 6
	noMotion      = -1
	motionTravel  = 0
	motionWork    = 1
	actionWait    = 4
	actionPlacing = 28
)

// word is one number of a block; set says whether the block has it.
type word struct {
	set bool
	v   float64
}

// block is one line, read: the ISO 6983 words that this machine knows.
type block struct {
	motion       int // noMotion, motionTravel or motionWork
	wait, place  bool
	x, y         word // mm
	feed         word // mm/min
	power        word // thousandths of full power
	seconds      word // of a wait
	on, off, end bool
}

// readBlock reads one line strictly: letters with numbers, each letter once (G and M may come
// several times with different meaning), nothing else. The error holds the machine's own words.
func readBlock(line string) (block, error) {
	b := block{motion: noMotion}
	rest := strings.TrimLeft(line, " ")
	if rest == "" {
		return b, fmt.Errorf("empty line")
	}
	for rest != "" {
		letter := rest[0]
		n := 1
		for n < len(rest) && strings.IndexByte("+-.0123456789", rest[n]) >= 0 {
			n++
		}
		number := rest[1:n]
		if err := b.add(letter, number); err != nil {
			return block{}, err
		}
		rest = strings.TrimLeft(rest[n:], " ")
	}
	return b, b.fits()
}

// add takes one word into the block.
func (b *block) add(letter byte, number string) error {
	switch letter {
	case 'G':
		return b.addG(number)
	case 'M':
		return b.addM(number)
	case 'X':
		return b.x.read("X", number, -furthestMM, furthestMM)
	case 'Y':
		return b.y.read("Y", number, -furthestMM, furthestMM)
	case 'F':
		if err := b.feed.read("F", number, 0, fastestMMMin); err != nil {
			return err
		}
		if b.feed.v == 0 {
			return fmt.Errorf("feed F0 would never arrive")
		}
		return nil
	case 'S':
		return b.power.read("S", number, 0, fullPower)
	case 'P':
		return b.seconds.read("P", number, 0, longestWaitS)
	}
	return fmt.Errorf("unknown word %q", string(letter)+number)
}

func (b *block) addG(number string) error {
	n, err := code(number)
	if err != nil {
		return fmt.Errorf("unknown word %q", "G"+number)
	}
	switch n {
	case motionTravel, motionWork:
		if b.motion != noMotion {
			return fmt.Errorf("two kinds of motion in one line")
		}
		b.motion = n
	case actionWait, actionPlacing:
		if b.wait || b.place {
			return fmt.Errorf("two actions in one line")
		}
		b.wait, b.place = n == actionWait, n == actionPlacing
	case 21, 90: // millimetres and absolute positions are all that this machine knows
	default:
		return fmt.Errorf("unknown word %q", "G"+number)
	}
	return nil
}

func (b *block) addM(number string) error {
	n, err := code(number)
	if err != nil || n < 2 || n == 4 || n > 5 {
		return fmt.Errorf("unknown word %q", "M"+number)
	}
	if b.on || b.off || b.end {
		return fmt.Errorf("two M words in one line")
	}
	b.on, b.off, b.end = n == 3, n == 5, n == 2
	return nil
}

// fits says whether the words of the block make sense together.
func (b block) fits() error {
	moves := b.x.set || b.y.set
	switch {
	case b.wait && !b.seconds.set:
		return fmt.Errorf("wait without P")
	case b.seconds.set && !b.wait:
		return fmt.Errorf("seconds P without wait")
	case (b.wait || b.place) && (moves || b.motion != noMotion || b.on || b.off || b.end):
		return fmt.Errorf("wait and placing stand alone in their line")
	}
	return nil
}

// read takes one number within its bounds.
func (w *word) read(letter, number string, least, most float64) error {
	if w.set {
		return fmt.Errorf("%s twice in one line", letter)
	}
	_, decimals, _ := strings.Cut(number, ".")
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || len(decimals) > mostDecimals {
		return fmt.Errorf("%s%s is not a number", letter, number)
	}
	if v < least || v > most {
		return fmt.Errorf("%s%s is out of range %g to %g", letter, number, least, most)
	}
	w.set, w.v = true, v
	return nil
}

// code reads the number of a G or M word, at most two digits.
func code(number string) (int, error) {
	if len(number) == 0 || len(number) > 2 {
		return 0, strconv.ErrSyntax
	}
	n, err := strconv.ParseUint(number, 10, 8)
	return int(n), err
}
