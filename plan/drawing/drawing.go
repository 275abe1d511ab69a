// Package drawing holds what every reader of drawings gives: lines, cubic curves and pictures in
// millimetres, with the builder that the readers share. The readers lie in its subfolders, one for
// each format.
//
// Readers are for hostile bytes: limits come first, then tokens, then shapes. What they cannot
// turn into lines (text, clip paths, …) is named with its place in a Notice and never dropped
// silently; what must not be read at all is a Refusal.
//
// x grows to the right and y down, in millimetres from the upper left corner of the drawing's page.
// Floating point is written so that no compiler may fuse a product into a sum: the same bytes give
// the same shapes on every target.
package drawing

import "fmt"

// Limits bound what is read. The zero value of a field means its default.
type Limits struct {
	Bytes     int // of the file; default 32 MiB
	Depth     int // of nested elements; default 256
	Elements  int // in the file; default 200,000
	Expansion int // elements drawn by way of use; default 100,000
	Points    int // of all shapes; default 10,000,000
	Pixels    int // of one picture; default 40,000,000
}

// WithDefaults fills in what is zero.
func (l Limits) WithDefaults() Limits {
	fill := func(v *int, d int) {
		if *v == 0 {
			*v = d
		}
	}
	fill(&l.Bytes, 32<<20)
	fill(&l.Depth, 256)
	fill(&l.Elements, 200_000)
	fill(&l.Expansion, 100_000)
	fill(&l.Points, 10_000_000)
	fill(&l.Pixels, 40_000_000)
	return l
}

// MaxExtentMM is how far from the page's corner a shape may lie.
const MaxExtentMM = 10_000

// Drawing is what was read.
type Drawing struct {
	WidthMM, HeightMM float64 // the page's size
	Shapes            []Shape // in the order in which they are drawn
	Pictures          []Picture
	Notices           []Notice
}

// Shape is one graphic element; its coordinates are millimetres.
type Shape struct {
	Layer  string // id or label of the nearest named group, may be empty
	Stroke string // line colour as #rrggbb, or "none"
	Fill   string // as #rrggbb, or "none"
	// EvenOdd says which points the paths enclose: those around which they run an odd number of
	// times; else all around which they do not run zero times in sum.
	EvenOdd bool
	Paths   []Path
	Place   string // element and line in the file
}

// Picture is a raster picture, embedded or the drawing itself. The corner between its pixels (i, j)
// lies at Origin + i·Right + j·Down millimetres.
type Picture struct {
	Layer         string // as of Shape
	Place         string // element and line in the file
	Width, Height int    // pixels
	// Grey is the picture row by row, 0 black to 255 white; what is transparent is white.
	Grey                []uint8
	Origin, Right, Down Vec
}

// Path is one run of segments without a gap.
type Path struct {
	Start    Vec
	Segments []Segment
	Closed   bool // by its own command; the last segment then ends at Start
}

// Segment goes from the end of the one before it to To: straight, or as a cubic with the control
// points C1 and C2.
type Segment struct {
	Curve  bool
	C1, C2 Vec
	To     Vec
}

// Vec is a position in millimetres (or, before the transforms, in user units).
type Vec struct{ X, Y float64 }

// Notice names something that the drawing holds and the shapes do not.
type Notice struct {
	What  string
	Place string // where it is met first
	Next  string
	Count int
}

// Refusal says why a drawing was not read.
type Refusal struct {
	What  string
	Next  string
	Limit string
	Value string
	Place string
	Asks  string // what a person must answer before it can be read: "unit" or "width"
}

// Error gives what was found and where.
func (r *Refusal) Error() string {
	text := r.What
	if r.Place != "" {
		text += " (" + r.Place + ")"
	}
	if r.Limit != "" {
		text += fmt.Sprintf(": limit %s, found %s", r.Limit, r.Value)
	}
	return text
}
