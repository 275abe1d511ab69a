package plan

import (
	"fmt"

	"kerfgate/plan/geom"
)

// Of a strip: the side of one small picture, the space around it, and how many it shows.
const (
	stripCellUM    = 24_000
	stripGapUM     = 3_000
	stripNumberUM  = 6_000
	mostStripCells = 60
)

// Strip draws the pieces and drop-outs one beside the other in the order in which they come loose,
// each with its number and as large as fits; drop-outs are hatched. It is an SVG document with the
// properties of Picture; each piece is a group with data-piece, to step through them by Steps. Of very many it shows the first and says how many follow.
func Strip(p *Plan, id string) []byte {
	outlines := stripOutlines(p)
	shown := p.Pieces[:min(len(p.Pieces), mostStripCells)]
	cell := int64(stripCellUM + stripGapUM)
	width, height := max(1, int64(len(shown)))*cell+stripGapUM, int64(stripCellUM+stripNumberUM+2*stripGapUM)
	rest := len(p.Pieces) - len(shown)
	if rest > 0 {
		width += 2 * cell
	}
	c := newCanvas(geom.Box{Max: geom.Pt(width, height)})
	c.unit, c.near = stripCellUM/60, stripCellUM/400
	fmt.Fprintf(c, `<svg xmlns="http://www.w3.org/2000/svg" class="plan strip" width="%smm" height="%smm" viewBox="0 0 %[1]s %[2]s" color="%s" role="img" aria-labelledby="%s-title">`,
		mm(width), mm(height), ink, id)
	fmt.Fprintf(c, `<title id="%s-title">What comes loose, in order: %d</title>`, id, len(p.Pieces))
	fmt.Fprintf(c, `<defs><pattern id="%s-drop-out" width="%s" height="%[2]s" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">`+
		`<path d="M0 0V%[2]s" fill="none" stroke="currentColor" stroke-width="%[3]s"/></pattern></defs>`, id, mm(c.unit*3), mm(c.unit))
	c.frame = geom.Box{Max: geom.Pt(width, height)}
	c.box("ground", c.frame, `fill="`+ground+`"`)
	for i, piece := range shown {
		c.stripCell(outlines[piece.Number], piece, id, int64(i)*cell+stripGapUM)
	}
	if rest > 0 {
		c.stripText(int64(len(shown)+1)*cell, stripCellUM/2, fmt.Sprintf("and %d more", rest))
	}
	c.WriteString(`</svg>`)
	return c.Bytes()
}

// stripCell draws one piece with what is cut out of it, as large as fits.
func (c *canvas) stripCell(outlines [][]geom.Point, piece Piece, id string, left int64) {
	class, fill := "piece", stock
	if piece.Dropout {
		class, fill = "waste", "url(#"+id+"-drop-out)"
	}
	size := max(1, piece.Extents.Width(), piece.Extents.Height())
	corner := geom.Pt(left+(stripCellUM-piece.Extents.Width()*stripCellUM/size)/2, stripNumberUM+stripGapUM)
	fmt.Fprintf(c, `<g class="strip-step" id="%s-piece-%d" data-piece="%[2]d"><path class="%s" fill="%s" fill-rule="evenodd" stroke="currentColor" stroke-width="%s" stroke-linejoin="round" d="`,
		id, piece.Number, class, fill, mm(c.unit))
	for _, points := range outlines {
		fitted := make([]geom.Point, len(points))
		for i, q := range points {
			d := q.Sub(piece.Extents.Min)
			fitted[i] = corner.Add(geom.Pt(d.X*stripCellUM/size, d.Y*stripCellUM/size))
		}
		c.path(c.distinct(fitted, true), true)
	}
	c.WriteString(`"/>`)
	c.stripText(left+stripCellUM/2, stripGapUM/2, fmt.Sprint(piece.Number))
	c.WriteString(`</g>`)
}

func (c *canvas) stripText(x, y int64, text string) {
	fmt.Fprintf(c, `<text x="%s" y="%s" font-size="%s" font-family="sans-serif" text-anchor="middle" fill="currentColor">%s</text>`,
		mm(x-c.frame.Min.X), mm(c.frame.Max.Y-y), mm(stripNumberUM*8/10), text)
}

// stripOutlines gives by piece number its outline and those of what is cut out of it.
func stripOutlines(p *Plan) map[int64][][]geom.Point {
	outlines, numbers := freed(p)
	closed := make([]bool, len(outlines))
	of := make(map[int64][][]geom.Point, len(outlines))
	for i, points := range outlines {
		closed[i] = true
		of[numbers[i]] = [][]geom.Point{points}
	}
	for i, parent := range geom.Nest(outlines, closed) {
		if parent >= 0 {
			of[numbers[parent]] = append(of[numbers[parent]], outlines[i])
		}
	}
	return of
}
