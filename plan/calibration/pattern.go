package calibration

import (
	"bytes"
	"errors"
	"fmt"

	"kerfgate/plan/geom"
	"kerfgate/plan/lettering"
)

// Bounds of a pattern's sides. They are multiples of sideUM, so that each mark lies on a whole millimetre,
// which most drives can reach without rounding. Own choice: under 60 mm the marks would meet.
const (
	LeastSideUM = 60_000
	MostSideUM  = 1_000_000
	sideUM      = 4_000
)

// Sizes of marks: half a line, and the lead on which an axis comes to its place; the letters beside them.
const (
	reachUM  = 5_000
	leadUM   = 5_000
	letterUM = 4_000
)

// ErrSide is returned for sides out of bounds.
var ErrSide = errors.New("a pattern's side must be 60 to 1000 mm")

// Pattern is a rectangle ABCD of marks, counted against the clock from its lower left corner, with pairs of
// marks inside that an axis reaches from opposite sides. B lies WidthUM to the right of A, D HeightUM above.
type Pattern struct {
	WidthUM  int64 `json:"width_um"`
	HeightUM int64 `json:"height_um"`
}

// New is a pattern no larger than asked, its sides in steps of 4 mm. Errors: ErrSide.
func New(widthUM, heightUM int64) (Pattern, error) {
	p := Pattern{WidthUM: widthUM / sideUM * sideUM, HeightUM: heightUM / sideUM * sideUM}
	for _, side := range [2]int64{p.WidthUM, p.HeightUM} {
		if side < LeastSideUM || side > MostSideUM {
			return Pattern{}, ErrSide
		}
	}
	return p, nil
}

// Mark is one place of the pattern, from A.
type Mark struct {
	Name string
	At   geom.Point
	// FromAbove: x or y came to this place moving down.
	XFromAbove, YFromAbove bool
	upright, level         bool // which lines are drawn
}

// Along says what a distance is measured along.
type Along string

// Between upright lines, between level lines, or from crossing to crossing.
const (
	AlongX     Along = "x"
	AlongY     Along = "y"
	AlongSlant Along = "slant"
)

// Distance is one that a person measures.
type Distance struct {
	Name     string // of its marks, such as "A-B"
	From, To Mark
	Along    Along
}

// NominalUM is how long the distance is where the machine is true.
func (d Distance) NominalUM() float64 { return geom.Distance(d.From.At, d.To.At) }

// marks are the pattern's, by name.
func (p Pattern) marks() map[string]Mark {
	w, h := p.WidthUM, p.HeightUM
	const aside = 8_000 // of the middle, so that level pairs and upright pairs keep apart
	out := map[string]Mark{}
	for _, m := range []Mark{
		{Name: "A", At: geom.Pt(0, 0), upright: true, level: true},
		{Name: "B", At: geom.Pt(w, 0), upright: true, level: true},
		{Name: "C", At: geom.Pt(w, h), upright: true, level: true},
		{Name: "D", At: geom.Pt(0, h), upright: true, level: true},
		{Name: "E", At: geom.Pt(w/4, h/4), upright: true},
		{Name: "F", At: geom.Pt(w-w/4, h/4), upright: true, XFromAbove: true},
		{Name: "G", At: geom.Pt(w/4, h-h/4), upright: true, XFromAbove: true},
		{Name: "H", At: geom.Pt(w-w/4, h-h/4), upright: true},
		{Name: "J", At: geom.Pt(w/2-aside, h/4), level: true},
		{Name: "K", At: geom.Pt(w/2-aside, h-h/4), level: true, YFromAbove: true},
		{Name: "L", At: geom.Pt(w/2+aside, h/4), level: true, YFromAbove: true},
		{Name: "M", At: geom.Pt(w/2+aside, h-h/4), level: true},
	} {
		out[m.Name] = m
	}
	return out
}

// names are the marks in drawing order.
var names = []string{"A", "J", "L", "B", "F", "E", "G", "H", "C", "M", "K", "D"}

// Distances are what is measured, in the order of a walk round the sheet.
func (p Pattern) Distances() []Distance {
	m := p.marks()
	of := func(from, to string, along Along) Distance {
		return Distance{Name: from + "-" + to, From: m[from], To: m[to], Along: along}
	}
	return []Distance{
		of("A", "B", AlongX), of("B", "C", AlongY), of("D", "C", AlongX), of("A", "D", AlongY),
		of("A", "C", AlongSlant), of("B", "D", AlongSlant),
		of("E", "F", AlongX), of("G", "H", AlongX), of("J", "K", AlongY), of("L", "M", AlongY),
	}
}

// Lines are the strokes of the pattern, in the order and the direction in which they must be drawn, from
// A. Each line of a mark is led into from the side from which its axis shall come: what is measured is
// the straight part behind the corner.
func (p Pattern) Lines() [][]geom.Point {
	all := p.marks()
	var out [][]geom.Point
	for _, name := range names {
		m := all[name]
		if m.upright {
			lead := int64(-leadUM)
			if m.XFromAbove {
				lead = leadUM
			}
			out = append(out, []geom.Point{m.At.Add(geom.Pt(lead, -reachUM)), m.At.Add(geom.Pt(0, -reachUM)), m.At.Add(geom.Pt(0, reachUM))})
		}
		if m.level {
			lead := int64(-leadUM)
			if m.YFromAbove {
				lead = leadUM
			}
			out = append(out, []geom.Point{m.At.Add(geom.Pt(-reachUM, lead)), m.At.Add(geom.Pt(-reachUM, 0)), m.At.Add(geom.Pt(reachUM, 0))})
		}
	}
	return out
}

// letters name the marks, beside them.
func (p Pattern) letters() [][]geom.Point {
	all := p.marks()
	var out [][]geom.Point
	for _, name := range names {
		out = append(out, lettering.Lines(name, all[name].At.Add(geom.Pt(1_200, 1_200)), letterUM*2/3)...)
	}
	return out
}

// SVG is the pattern as a drawing of two layers, marks and letters, whose lines are to be done as they are
// drawn: in their order and direction.
func (p Pattern) SVG() []byte {
	const edge = leadUM // of the drawing round A and C
	var b bytes.Buffer
	w, h := p.WidthUM+2*edge, p.HeightUM+2*edge
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %s %s">`+"\n", mm(w), mm(h), mm(w), mm(h))
	for _, layer := range []struct {
		id    string
		lines [][]geom.Point
	}{{"marks", p.Lines()}, {"letters", p.letters()}} {
		fmt.Fprintf(&b, `<g id="%s" fill="none" stroke="#000000">`+"\n", layer.id)
		for _, line := range layer.lines {
			b.WriteString(`<path d="`)
			for i, q := range line {
				word := "L"
				if i == 0 {
					word = "M"
				}
				fmt.Fprintf(&b, "%s%s %s", word, mm(q.X+edge), mm(h-edge-q.Y))
			}
			b.WriteString(`"/>` + "\n")
		}
		b.WriteString("</g>\n")
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}

// mm prints whole micrometres as millimetres.
func mm(um int64) string {
	sign := ""
	if um < 0 {
		sign, um = "-", -um
	}
	return fmt.Sprintf("%s%d.%03d", sign, um/1000, um%1000)
}
