// Package qr draws a text as a QR code (ISO/IEC 18004): for a screen, and for paper.
package qr

import (
	"fmt"
	"html/template"
	"strings"

	goqr "github.com/piglig/go-qr"
)

// largest is the version of the largest code made here: 57 squares a side, which a telephone still reads
// from a sheet of paper that was folded; with the least correction it holds 271 bytes.
const largest = 10

// quiet is how many squares a code keeps free around it; a reader needs 4 (ISO/IEC 18004, 6.3.8).
const quiet = 4

// Code is a square of dark and light squares.
type Code struct {
	Side int // squares along an edge, without the margin
	made *goqr.QrCode
}

// Of makes the code of a text, with as much correction as its size leaves room for. It fails where the text is
// too long for version 10: over 271 bytes.
func Of(text string) (Code, error) {
	bytes, err := goqr.MakeBytes([]byte(text)) // one way to write a text, whatever is in it
	if err != nil {
		return Code{}, err
	}
	made, err := goqr.EncodeSegments([]*goqr.QrSegment{bytes}, goqr.Low, goqr.MinVersion, largest, -1, true)
	if err != nil {
		return Code{}, fmt.Errorf("a text of %d bytes fits no code of version %d: %w", len(text), largest, err)
	}
	return Code{Side: made.Size(), made: made}, nil
}

// Rows calls each for every row of dark squares next to each other: from x on, as many as wide, counted from
// the upper left square without the margin.
func (c Code) Rows(each func(x, y, wide int)) {
	for y := range c.Side {
		for x := 0; x < c.Side; x++ {
			wide := 0
			for x+wide < c.Side && c.made.Module(x+wide, y) {
				wide++
			}
			if wide > 0 {
				each(x, y, wide)
				x += wide
			}
		}
	}
}

// SVG draws the code for a page, with its margin; title is what it is read out as. A page gives class qr a white
// ground in every theme.
func (c Code) SVG(title string) template.HTML {
	var path strings.Builder
	c.Rows(func(x, y, wide int) { fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", x+quiet, y+quiet, wide, wide) })
	return template.HTML(fmt.Sprintf(`<svg class="qr" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" shape-rendering="crispEdges" role="img" aria-label="%s"><path d="%s" fill="#000000"/></svg>`,
		c.Side+2*quiet, c.Side+2*quiet, template.HTMLEscapeString(title), path.String()))
}
