package svg

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"kerfgate/plan/drawing"
)

// charset reads what older programs write besides UTF-8.
func charset(label string, in io.Reader) (io.Reader, error) {
	switch strings.ToLower(label) {
	case "utf-8", "utf8", "us-ascii", "ascii":
		return in, nil
	case "iso-8859-1", "latin1":
		return &latin1{in: in}, nil
	}
	return nil, &drawing.Refusal{
		What: fmt.Sprintf("the character encoding %.40q is not read", label),
		Next: "save the drawing again in UTF-8",
	}
}

// latin1 turns ISO 8859-1 bytes, which are the first 256 code points, into UTF-8.
type latin1 struct {
	in   io.Reader
	rest []byte
}

func (l *latin1) Read(out []byte) (int, error) {
	if len(l.rest) == 0 {
		raw := make([]byte, 4096)
		n, err := l.in.Read(raw)
		if n == 0 {
			return 0, err
		}
		l.rest = make([]byte, 0, 2*n)
		for _, b := range raw[:n] {
			l.rest = utf8.AppendRune(l.rest, rune(b))
		}
	}
	n := copy(out, l.rest)
	l.rest = l.rest[n:]
	return n, nil
}
