// Package contour turns flattened lines into clean contours and says what they mean for the sheet:
// joined ends, nothing done twice, simple loops, which line lies in which, what comes loose, and
// what a person should look at before cutting.
//
// Everything is whole micrometres. Coordinates lie within MostUM (±10 m) of zero, so a cross product
// of differences stays below 8·10¹⁴ and is exact in an int64, and in a float64 too.
package contour

import (
	"errors"

	"kerfgate/plan/geom"
)

// MostUM bounds every coordinate, either way from zero.
const MostUM = 10_000_000

// Operations as they stand in Line.Op.
const (
	engrave = "engrave" // its closed lines bound areas: they are never opened
	cut     = "cut"
)

// Errors of Clean and Understand.
var (
	// ErrFar means a coordinate beyond MostUM.
	ErrFar = errors.New("a line reaches further than 10 m from the origin; move or scale the drawing")
	// ErrTangled means that the lines lie over each other so densely that the work would not end soon.
	ErrTangled = errors.New("too many lines lie on or across each other; simplify the drawing")
)

// mostVisits bounds the boxes that one pass over the lines looks at: some ten seconds of work. A
// million segments of separate pieces need a tenth of it.
const mostVisits = 500_000_000

// mostStops bounds the points at which lines meet, 24 bytes each. A grid drawn as a million single
// lines has two million.
const mostStops = 8_000_000

// Line is one polyline of a drawing's group, worked under one operation.
type Line struct {
	Group  int
	Op     string       // engrave, mark, draw or cut
	Closed bool         // the last point equals the first, and there are at least four
	Points []geom.Point // no two neighbours are equal
}

// Options are lengths in µm. Zero leaves a check out, but for the two tolerances, whose zero is 10.
type Options struct {
	JoinUM   int64 // how far two ends may lie apart and still be one point
	DoubleUM int64 // how far two lines may lie apart and still be one way
	// KerfUM is the width of the cut; ResolutionUM the smallest thing that the machine can draw.
	KerfUM       int64
	ResolutionUM int64
	BridgeUM     int64 // narrower material between cuts is a finding
	SupportUM    int64 // from one support of the bed to the next
	// AsCut says that the lines lie where they are cut: nothing of their clusters is to be moved any more,
	// what these free is given with its outlines, and nothing is looked for, since the drawn lines have told it.
	AsCut bool
}

// defaultToleranceUM is below what any home-built carriage repeats; own choice.
const defaultToleranceUM = 10

func (o Options) withDefaults() Options {
	if o.JoinUM == 0 {
		o.JoinUM = defaultToleranceUM
	}
	if o.DoubleUM == 0 {
		o.DoubleUM = defaultToleranceUM
	}
	return o
}

// Kind is a kind of finding.
type Kind string

// The kinds, in the order in which they are reported. UM of a Place is the length named here.
const (
	OpenCut         Kind = "open cut"         // a cut with a loose end; UM from its one end to the other
	Crossing        Kind = "crossing cuts"    // a closed cut is crossed by another cut; UM is 0
	BelowKerf       Kind = "below kerf"       // a closed cut narrower than the kerf; UM is its width
	BelowResolution Kind = "below resolution" // a line whose extents are below the resolution; UM is the larger
	NearCuts        Kind = "cuts within kerf" // cuts so near that nothing stands between them; UM apart
	ThinBridge      Kind = "thin bridge"      // material of a piece between cuts; UM is its width
	ThinWeb         Kind = "thin web"         // the same in the sheet around the pieces
	MayFall         Kind = "piece may fall"   // it fits between the supports; UM is its larger extent
	MayTip          Kind = "piece may tip"    // it is not surely held on both sides; UM is its least reach
)

var kinds = []Kind{OpenCut, Crossing, BelowKerf, BelowResolution, NearCuts, ThinBridge, ThinWeb, MayFall, MayTip}

// Finding is all of one kind: how often, and the places with the smallest lengths.
type Finding struct {
	Kind   Kind
	Count  int
	Places []Place // at most MostPlaces
}

// MostPlaces bounds the places that a finding names.
const MostPlaces = 8

// Place is where something was found.
type Place struct {
	At    geom.Point
	UM    int64
	Line  int // index of the line, −1 for none
	Other int // index of the second line, −1 for none
	Piece int // number of the piece, 0 for none
}
