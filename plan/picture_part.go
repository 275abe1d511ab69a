package plan

import "kerfgate/plan/geom"

// PictureLine is one line of a picture, in the plan's coordinates.
type PictureLine struct {
	Points []geom.Point
	Closed bool // its last point is its first and left out
}

// PictureLines are lines that look alike.
type PictureLines struct {
	Name    string // "sheet-edge", "travel" or an operation
	WidthUM int64
	// OnUM and OffUM are those of dashes, 0 for a line that goes through.
	OnUM, OffUM int64
	Lines       []PictureLine
}

// PictureSpot is a place to be shaded by crossed lines.
type PictureSpot struct {
	Place    geom.Point
	RadiusUM int64
}

// PictureParts are what Picture draws, for a surface that knows lines and areas: all in whole micrometres
// of the plan's coordinates, whose y grows upwards.
type PictureParts struct {
	Frame geom.Box // of the whole picture, with its margin
	Sheet geom.Box // to be filled first
	// Waste are the outlines of what falls out and of the pieces within it: hatched by the even-odd rule,
	// under the lines. HatchUM is the distance of the hatching, as wide as a line of FineUM.
	Waste           [][]geom.Point
	HatchUM, FineUM int64
	Lines           []PictureLines // in the order in which they are drawn
	Hot             []PictureSpot
	DotUM           int64 // radius of the dot at the plan's origin
}

// PartsOf gives the parts of the plan's picture.
func PartsOf(p *Plan) PictureParts {
	sheet := geom.Box{Max: p.SheetSize}
	return newCanvas(sheet.Union(p.Extents)).parts(p, sheet)
}

func (c *canvas) parts(p *Plan, sheet geom.Box) PictureParts {
	u := c.unit
	shown := c.fitting(p)
	parts := PictureParts{Frame: c.frame, Sheet: sheet, Waste: c.hatched(p), HatchUM: u * 18 / 10, FineUM: u / 2, DotUM: 3 * u}
	parts.Lines = []PictureLines{
		{Name: "sheet-edge", WidthUM: u, Lines: []PictureLine{{Points: corners(sheet), Closed: true}}},
		{Name: "travel", WidthUM: u * 8 / 10, OnUM: 1, OffUM: u * 24 / 10, Lines: c.ways(p)},
		{Name: string(Engrave), WidthUM: u * 7 / 10, Lines: shown[Engrave]},
		{Name: string(Mark), WidthUM: u * 12 / 10, OnUM: 4 * u, OffUM: 2 * u, Lines: shown[Mark]},
		{Name: string(Draw), WidthUM: u * 9 / 10, Lines: shown[Draw]},
		{Name: string(Cut), WidthUM: u * 18 / 10, Lines: shown[Cut]},
	}
	for _, h := range p.Hot {
		parts.Hot = append(parts.Hot, PictureSpot{Place: h.Place, RadiusUM: max(hotRadiusUM, 3*u)})
	}
	return parts
}
