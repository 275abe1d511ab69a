package dxf

import (
	"bytes"
	"fmt"
	"math"
	"strconv"

	"kerfgate/plan/drawing"
)

// group is the file's smallest unit: a number that says what the value means, and the value, each
// on a line of its own.
type group struct {
	code  int
	value []byte // without the line's end; part of the file's bytes
	line  int    // of the value
}

// is says whether the group begins something: an entity, a section, the file's end.
func (g group) is(kind string) bool { return g.code == 0 && string(g.value) == kind }

// spot is a place between two groups to which a scanner can return.
type spot struct{ at, line int }

// scanner cuts the file's bytes into groups without copying them.
type scanner struct {
	data    []byte
	newline byte
	spot
	back  bool // the group before is to be given once more
	last  group
	ended bool // by its own mark
}

func newScanner(data []byte) *scanner {
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	s := &scanner{data: data, newline: '\n'}
	if bytes.IndexByte(data, '\n') < 0 {
		s.newline = '\r' // lines as on old Macintosh systems
	}
	return s
}

// nextLine gives the next line without its end and blanks around it; ok is false behind the last one.
func (s *scanner) nextLine() (text []byte, ok bool) {
	if s.at >= len(s.data) {
		return nil, false
	}
	rest := s.data[s.at:]
	end := bytes.IndexByte(rest, s.newline)
	if end < 0 {
		end = len(rest)
		s.at = len(s.data)
	} else {
		s.at += end + 1
	}
	s.spot.line++
	return trim(rest[:end]), true
}

// trim takes blanks, tabs and carriage returns away; writers pad codes and numbers with them.
func trim(text []byte) []byte {
	for len(text) > 0 && blank(text[0]) {
		text = text[1:]
	}
	for len(text) > 0 && blank(text[len(text)-1]) {
		text = text[:len(text)-1]
	}
	return text
}

func blank(c byte) bool { return c == ' ' || c == '\t' || c == '\r' }

// next gives the next group that is no comment. ok is false at the end, be it the mark 0/EOF
// (whatever follows that mark is no part of the drawing) or the last line.
func (s *scanner) next() (g group, ok bool, err error) {
	if s.back {
		s.back = false
		return s.last, true, nil
	}
	for {
		text, more := s.nextLine()
		if !more || s.ended {
			return group{}, false, nil
		}
		code, valid := readCode(text)
		if !valid {
			if len(bytes.TrimSpace(s.data[s.at:])) == 0 && len(text) == 0 {
				return group{}, false, nil // blank lines behind the last group
			}
			return group{}, false, s.fault(text)
		}
		value, more := s.nextLine()
		if !more {
			return group{}, false, nil // cut off between code and value
		}
		if code == 999 {
			continue
		}
		s.last = group{code: code, value: value, line: s.spot.line}
		if s.last.is("EOF") {
			s.ended = true
			return group{}, false, nil
		}
		return s.last, true, nil
	}
}

// unread makes next give the last group once more.
func (s *scanner) unread() { s.back = true }

// seek goes back to a place; what was read ahead is forgotten.
func (s *scanner) seek(to spot) { s.spot, s.back, s.ended = to, false, false }

func (s *scanner) fault(text []byte) error {
	return &drawing.Refusal{
		What:  fmt.Sprintf("%.40q stands where a group code, a whole number, must stand", text),
		Next:  "the file is damaged from here on; save it again as DXF and hand that file in",
		Place: fmt.Sprintf("line %d", s.spot.line),
	}
}

// readCode reads a group code, a whole number of at most four digits and a sign.
func readCode(text []byte) (code int, ok bool) {
	negative := len(text) > 0 && text[0] == '-'
	if negative {
		text = text[1:]
	}
	if len(text) == 0 || len(text) > 5 {
		return 0, false
	}
	for _, c := range text {
		if c < '0' || c > '9' {
			return 0, false
		}
		code = code*10 + int(c-'0')
	}
	if negative {
		code = -code
	}
	return code, true
}

// number reads a value as a decimal number. Only digits, sign, point and exponent are taken, so that
// no word such as "inf" and no other base passes.
func (g group) number() (float64, error) {
	for _, c := range g.value {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, g.notNumber()
		}
	}
	v, err := strconv.ParseFloat(string(g.value), 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, g.notNumber()
	}
	return v, nil
}

func (g group) notNumber() error {
	return &drawing.Refusal{
		What:  fmt.Sprintf("group %d must be a finite number and is %.40q", g.code, g.value),
		Next:  "correct this value, or save the drawing again as DXF and hand that file in",
		Place: fmt.Sprintf("line %d", g.line),
	}
}
