package svg

import (
	"errors"
	"strings"

	"kerfgate/plan/drawing"
)

// errPathCut is returned where path data stops making sense: what comes before it is kept, as the
// SVG implementation notes ask.
var errPathCut = errors.New("path data is broken")

// errPoints is returned where a path holds more points than are left to the drawing.
var errPoints = errors.New("too many points")

// pathReader turns path data into paths in user units.
type pathReader struct {
	text string
	pos  int

	most     int // points
	out      drawing.Outline
	lastC    drawing.Vec // second control point of the last cubic
	lastQ    drawing.Vec // control point of the last quadratic
	lastKind byte        // 'C', 'Q' or 0
}

func (p *pathReader) skip() {
	for p.pos < len(p.text) && strings.IndexByte(" \t\r\n\f,", p.text[p.pos]) >= 0 {
		p.pos++
	}
}

func (p *pathReader) number() (float64, error) {
	p.skip()
	n := scanNumber(p.text[p.pos:])
	if n == 0 {
		if err := notNumber(p.text[p.pos:]); !errors.Is(err, errFaulty) {
			return 0, err
		}
		return 0, errPathCut
	}
	text := p.text[p.pos : p.pos+n]
	p.pos += n
	return parseNumber(text)
}

// flag is a single digit 0 or 1; the next number may follow without a space.
func (p *pathReader) flag() (bool, error) {
	p.skip()
	if p.pos < len(p.text) && (p.text[p.pos] == '0' || p.text[p.pos] == '1') {
		p.pos++
		return p.text[p.pos-1] == '1', nil
	}
	return false, errPathCut
}

// point reads two numbers; relative ones count from the current point.
func (p *pathReader) point(relative bool) (drawing.Vec, error) {
	x, err := p.number()
	if err != nil {
		return drawing.Vec{}, err
	}
	y, err := p.number()
	if err != nil {
		return drawing.Vec{}, err
	}
	if relative {
		return vec(p.out.At().X+x, p.out.At().Y+y), nil
	}
	return vec(x, y), nil
}

func (p *pathReader) points(relative bool, n int) ([3]drawing.Vec, error) {
	var v [3]drawing.Vec
	for i := range n {
		var err error
		if v[i], err = p.point(relative); err != nil {
			return v, err
		}
	}
	return v, nil
}

// readPath reads path data of at most the given number of points. With errPathCut the paths before
// the fault are returned.
func readPath(text string, most int) ([]drawing.Path, error) {
	p := &pathReader{text: text, most: most}
	const small = 1 << 16
	if len(text) > small {
		paths, least, bound := measure(text)
		if least > most {
			return nil, errPoints
		}
		p.out.Reserve(min(paths, most), min(bound, most))
	}
	var command byte
	for first := true; ; first = false {
		p.skip()
		if p.pos >= len(p.text) {
			return p.out.Paths(), nil
		}
		c := p.text[p.pos]
		switch {
		case strings.IndexByte("MmLlHhVvCcSsQqTtAaZz", c) >= 0:
			command = c
			p.pos++
		case command == 0 || command == 'Z' || command == 'z':
			return p.out.Paths(), errPathCut
		case command == 'M':
			command = 'L'
		case command == 'm':
			command = 'l'
		}
		if first && command != 'M' && command != 'm' {
			return p.out.Paths(), errPathCut
		}
		if err := p.step(command); err != nil {
			return p.out.Paths(), err
		}
		if p.out.Points() > p.most {
			return nil, errPoints
		}
	}
}

// measure gives without reading the numbers how many paths and segments the data may draw: at least
// and at most. So what is too much is refused before it takes memory, and what is not gets its
// memory in one piece.
func measure(text string) (paths, least, most int) {
	numbers := map[byte]int{'M': 2, 'L': 2, 'H': 1, 'V': 1, 'C': 6, 'S': 4, 'Q': 4, 'T': 2, 'A': 7}
	command, each, spans, count := byte('M'), 2, 1, 0
	finish := func() {
		switch command {
		case 'A': // between equal points it draws nothing
		case 'M':
			least += max(0, count/each-1)
		default:
			least += count / each
		}
		most += (count/each + 1) * spans
		count = 0
	}
	for i := 0; i < len(text); {
		if n := scanNumber(text[i:]); n > 0 {
			count++
			i += n
			continue
		}
		letter := text[i] &^ 0x20
		if n, ok := numbers[letter]; ok {
			finish()
			command, each, spans = letter, n, 1
			if command == 'A' {
				// Its two flags need no space between them and the next number: "001" may be three
				// numbers, so that an arc has at least five.
				each, spans = 5, drawing.MostArcSegments
			}
		}
		if letter == 'M' || letter == 'Z' {
			paths++
		}
		i++
	}
	finish()
	return paths + 1, least, most + paths
}

// step reads the numbers of one command and draws it.
func (p *pathReader) step(command byte) error {
	relative := command >= 'a'
	o := &p.out
	kind := byte(0)
	switch command &^ 0x20 {
	case 'M':
		v, err := p.point(relative)
		if err != nil {
			return err
		}
		o.Move(v)
	case 'Z':
		o.Close()
	case 'L':
		v, err := p.point(relative)
		if err != nil {
			return err
		}
		o.Line(v)
	case 'H', 'V':
		v, err := p.number()
		if err != nil {
			return err
		}
		to := o.At()
		switch {
		case command == 'H':
			to.X = v
		case command == 'h':
			to.X += v
		case command == 'V':
			to.Y = v
		default:
			to.Y += v
		}
		o.Line(to)
	case 'C':
		v, err := p.points(relative, 3)
		if err != nil {
			return err
		}
		o.Cubic(v[0], v[1], v[2])
		kind, p.lastC = 'C', v[1]
	case 'S':
		v, err := p.points(relative, 2)
		if err != nil {
			return err
		}
		o.Cubic(p.mirrored('C', p.lastC), v[0], v[1])
		kind, p.lastC = 'C', v[0]
	case 'Q':
		v, err := p.points(relative, 2)
		if err != nil {
			return err
		}
		o.Quad(v[0], v[1])
		kind, p.lastQ = 'Q', v[0]
	case 'T':
		v, err := p.point(relative)
		if err != nil {
			return err
		}
		q := p.mirrored('Q', p.lastQ)
		o.Quad(q, v)
		kind, p.lastQ = 'Q', q
	case 'A':
		return p.arc(relative)
	}
	p.lastKind = kind
	return nil
}

// mirrored is the reflection of the last control point, or the current point if the last command
// was of another kind.
func (p *pathReader) mirrored(kind byte, control drawing.Vec) drawing.Vec {
	if p.lastKind != kind {
		return p.out.At()
	}
	return vec(p.out.At().X+(p.out.At().X-control.X), p.out.At().Y+(p.out.At().Y-control.Y))
}

func (p *pathReader) arc(relative bool) error {
	var n [3]float64
	for i := range n {
		var err error
		if n[i], err = p.number(); err != nil {
			return err
		}
	}
	large, err := p.flag()
	if err != nil {
		return err
	}
	sweep, err := p.flag()
	if err != nil {
		return err
	}
	to, err := p.point(relative)
	if err != nil {
		return err
	}
	p.out.Arc(n[0], n[1], n[2], large, sweep, to)
	p.lastKind = 0
	return nil
}
