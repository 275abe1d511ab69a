package drawing

import (
	"errors"
	"fmt"
	"strings"
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
	out      outline
	lastC    Vec  // second control point of the last cubic
	lastQ    Vec  // control point of the last quadratic
	lastKind byte // 'C', 'Q' or 0
}

// outline collects paths; at is the current point.
type outline struct {
	count int // of points
	paths []Path
	at    Vec
	begun Vec  // where the current path began
	open  bool // a path is open
}

func (o *outline) move(p Vec) { o.at, o.begun, o.open = p, p, false }

func (o *outline) add(s Segment) {
	if !o.open {
		o.paths = append(o.paths, Path{Start: o.at})
		o.count++
		o.begun, o.open = o.at, true
	}
	last := &o.paths[len(o.paths)-1]
	last.Segments = append(last.Segments, s)
	o.count++
	o.at = s.To
}

func (o *outline) line(p Vec)          { o.add(Segment{To: p}) }
func (o *outline) cubic(c1, c2, p Vec) { o.add(Segment{Curve: true, C1: c1, C2: c2, To: p}) }

// quadratic is raised to a cubic: control points two thirds of the way to q.
func (o *outline) quadratic(q, p Vec) {
	o.cubic(lerp(o.at, q, 2.0/3), lerp(p, q, 2.0/3), p)
}

func (o *outline) close() {
	if !o.open {
		return
	}
	last := &o.paths[len(o.paths)-1]
	if o.at != o.begun {
		last.Segments = append(last.Segments, Segment{To: o.begun})
	}
	last.Closed = true
	o.at, o.open = o.begun, false
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
		if rest := strings.ToLower(p.text[p.pos:min(len(p.text), p.pos+9)]); strings.HasPrefix(strings.TrimLeft(rest, "+-"), "nan") {
			return 0, fmt.Errorf("NaN is %w", errNotNumber)
		} else if strings.HasPrefix(strings.TrimLeft(rest, "+-"), "inf") {
			return 0, errInfinite
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
func (p *pathReader) point(relative bool) (Vec, error) {
	x, err := p.number()
	if err != nil {
		return Vec{}, err
	}
	y, err := p.number()
	if err != nil {
		return Vec{}, err
	}
	if relative {
		return Vec{p.out.at.X + x, p.out.at.Y + y}, nil
	}
	return Vec{x, y}, nil
}

func (p *pathReader) points(relative bool, n int) ([3]Vec, error) {
	var v [3]Vec
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
func readPath(text string, most int) ([]Path, error) {
	p := &pathReader{text: text, most: most}
	var command byte
	for first := true; ; first = false {
		p.skip()
		if p.pos >= len(p.text) {
			return p.out.paths, nil
		}
		c := p.text[p.pos]
		switch {
		case strings.IndexByte("MmLlHhVvCcSsQqTtAaZz", c) >= 0:
			command = c
			p.pos++
		case command == 0 || command == 'Z' || command == 'z':
			return p.out.paths, errPathCut
		case command == 'M':
			command = 'L'
		case command == 'm':
			command = 'l'
		}
		if first && command != 'M' && command != 'm' {
			return p.out.paths, errPathCut
		}
		if err := p.step(command); err != nil {
			return p.out.paths, err
		}
		if p.out.count > p.most {
			return nil, errPoints
		}
	}
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
		o.move(v)
	case 'Z':
		o.close()
	case 'L':
		v, err := p.point(relative)
		if err != nil {
			return err
		}
		o.line(v)
	case 'H', 'V':
		v, err := p.number()
		if err != nil {
			return err
		}
		to := o.at
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
		o.line(to)
	case 'C':
		v, err := p.points(relative, 3)
		if err != nil {
			return err
		}
		o.cubic(v[0], v[1], v[2])
		kind, p.lastC = 'C', v[1]
	case 'S':
		v, err := p.points(relative, 2)
		if err != nil {
			return err
		}
		o.cubic(p.mirrored('C', p.lastC), v[0], v[1])
		kind, p.lastC = 'C', v[0]
	case 'Q':
		v, err := p.points(relative, 2)
		if err != nil {
			return err
		}
		o.quadratic(v[0], v[1])
		kind, p.lastQ = 'Q', v[0]
	case 'T':
		v, err := p.point(relative)
		if err != nil {
			return err
		}
		q := p.mirrored('Q', p.lastQ)
		o.quadratic(q, v)
		kind, p.lastQ = 'Q', q
	case 'A':
		return p.arc(relative)
	}
	p.lastKind = kind
	return nil
}

// mirrored is the reflection of the last control point, or the current point if the last command
// was of another kind.
func (p *pathReader) mirrored(kind byte, control Vec) Vec {
	if p.lastKind != kind {
		return p.out.at
	}
	return Vec{p.out.at.X + (p.out.at.X - control.X), p.out.at.Y + (p.out.at.Y - control.Y)}
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
	p.out.arc(n[0], n[1], n[2], large, sweep, to)
	p.lastKind = 0
	return nil
}
