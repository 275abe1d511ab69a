package engrave

import (
	"fmt"
	"math"
	"math/big"

	"kerfgate/plan/drawing"
	"kerfgate/plan/geom"
)

// grid divides the upright box around a picture into square cells and averages the pixels under
// each. The picture itself may be turned, skewed or mirrored: cells are mapped back into it.
//
// A cell is sampled at nx × ny places, which lie no further apart than half a pixel; positions are
// pixels in 32-bit binary fractions, whose rounding adds up to less than 1/1000 of a pixel.
type grid struct {
	picture       drawing.Picture
	origin        geom.Point // lower left corner
	pitch         int64
	columns, rows int64
	nx, ny        int64
	start         place // of the first sample
	alongX        place // from one sample to the next
	alongY        place
	sums          []int64
	grey          []uint8
	reached       []bool
}

// place is a position in the picture (or a step): column and row in 2⁻³² pixels.
type place struct{ u, v int64 }

const fractionBits = 32

// The fewest samples of a cell each way, so that one over the edge of a large pixel is shared. Edges
// of slanted pixels run along the samples now and then, where too few of them would all lie on one
// side.
const (
	leastUpright = 2
	leastSlanted = 4
)

func newGrid(pic drawing.Picture, pitch int64, limits Limits) (*grid, error) {
	if pic.Width <= 0 || pic.Height <= 0 || len(pic.Grey) != pic.Width*pic.Height {
		return nil, &Refusal{What: fmt.Sprintf("the picture holds %d pixels and not %d × %d", len(pic.Grey), pic.Width, pic.Height),
			Next: "hand the drawing in again"}
	}
	var corners [4]geom.Point
	for i := range corners {
		var ok bool
		if corners[i], ok = corner(pic, i%2*pic.Width, i/2*pic.Height); !ok {
			return nil, &Refusal{What: "the picture lies outside of what can be placed", Next: "move it into the drawing's page",
				Limit: fmt.Sprintf("%d mm", drawing.MaxExtentMM), Value: "more"}
		}
	}
	at, a, b := corners[0], corners[1].Sub(corners[0]), corners[2].Sub(corners[0])
	det := geom.Cross(geom.Point{}, a, b)
	if det == 0 {
		return nil, &Refusal{What: "the picture has no area", Next: "make it larger, or take it out of the drawing"}
	}
	box, _ := geom.BoxOf(corners[:]...)
	g := &grid{picture: pic, pitch: pitch, columns: ceilDiv(box.Width(), pitch), rows: ceilDiv(box.Height(), pitch)}
	// What the cells reach beyond the picture is shared by both sides.
	g.origin = geom.Pt(box.Min.X-(g.columns*pitch-box.Width())/2, box.Min.Y-(g.rows*pitch-box.Height())/2)
	if g.rows > int64(limits.Rows) {
		return nil, tooFine("rows", limits.Rows, fmt.Sprint(g.rows))
	}
	if g.columns > int64(limits.Cells)/g.rows {
		return nil, tooFine("dots", limits.Cells, fmt.Sprint(g.columns*g.rows))
	}
	// Pixels that a µm along x and along y goes over, at most along one side of the picture.
	w, h, area := float64(pic.Width), float64(pic.Height), math.Abs(float64(det))
	overX := max(w*math.Abs(float64(b.Y)), h*math.Abs(float64(a.Y))) / area
	overY := max(w*math.Abs(float64(b.X)), h*math.Abs(float64(a.X))) / area
	least := float64(leastUpright)
	if (a.Y != 0 || b.X != 0) && (a.X != 0 || b.Y != 0) {
		least = leastSlanted
	}
	perX, perY := max(least, math.Ceil(2*overX*float64(pitch))), max(least, math.Ceil(2*overY*float64(pitch)))
	samples := float64(g.columns) * float64(g.rows) * perX * perY
	if !(samples <= float64(limits.Samples)) {
		return nil, &Refusal{What: "the picture's pixels are too fine for its size", Next: "scale its pixels down, or take a finer line pitch",
			Limit: fmt.Sprintf("%d samples", limits.Samples), Value: fmt.Sprintf("%.0f", samples)}
	}
	g.nx, g.ny = int64(perX), int64(perY)
	g.lay(at, a, b, det)
	g.sums, g.grey, g.reached = make([]int64, g.columns), make([]uint8, g.columns), make([]bool, g.columns)
	return g, nil
}

// corner is the picture's corner between pixels (i, j) in the plan's coordinates: whole µm, y up. ok
// is false where it lies too far out, or nowhere.
func corner(pic drawing.Picture, i, j int) (p geom.Point, ok bool) {
	x := pic.Origin.X + float64(float64(i)*pic.Right.X) + float64(float64(j)*pic.Down.X)
	y := pic.Origin.Y + float64(float64(i)*pic.Right.Y) + float64(float64(j)*pic.Down.Y)
	if !(math.Abs(x) <= drawing.MaxExtentMM && math.Abs(y) <= drawing.MaxExtentMM) {
		return geom.Point{}, false
	}
	return geom.Pt(geom.Micrometres(x), geom.Micrometres(-y)), true
}

// lay maps samples into the picture, which spans a (along its rows) and b (down) from its corner at:
// a position p lies at the share (p−at)×b / a×b along a, and a×(p−at) / a×b along b.
func (g *grid) lay(at, a, b geom.Point, det int64) {
	d := g.origin.Sub(at)
	// The first sample lies half a sample's distance inside: in 1/(2·nx) and 1/(2·ny) µm.
	x := product(2*g.nx*d.X+g.pitch, g.ny)
	y := product(2*g.ny*d.Y+g.pitch, g.nx)
	w, h := int64(g.picture.Width), int64(g.picture.Height)
	both := 2 * g.nx * g.ny
	g.start = place{
		u: fraction(new(big.Int).Sub(times(x, b.Y), times(y, b.X)), w, det, both),
		v: fraction(new(big.Int).Sub(times(y, a.X), times(x, a.Y)), h, det, both),
	}
	g.alongX = place{u: fraction(product(g.pitch, b.Y), w, det, g.nx), v: fraction(product(g.pitch, -a.Y), h, det, g.nx)}
	g.alongY = place{u: fraction(product(g.pitch, -b.X), w, det, g.ny), v: fraction(product(g.pitch, a.X), h, det, g.ny)}
}

func product(a, b int64) *big.Int { return times(big.NewInt(a), b) }

func times(a *big.Int, b int64) *big.Int { return new(big.Int).Mul(a, big.NewInt(b)) }

// fraction is n·pixels/(det·parts) in 2⁻³² pixels, rounded.
func fraction(n *big.Int, pixels, det, parts int64) int64 {
	n = times(n, pixels)
	n.Lsh(n, fractionBits+1)
	over := product(det, parts)
	if over.Sign() < 0 {
		n.Neg(n)
		over.Neg(over)
	}
	n.Div(n, over) // downwards, whatever the sign
	return n.Add(n, big.NewInt(1)).Rsh(n, 1).Int64()
}

// row averages the cells of the k-th row from below. reached says which of them the picture reaches;
// what of a cell it does not is white. The answer is good until the next call.
func (g *grid) row(k int64) (grey []uint8, reached []bool) {
	clear(g.sums)
	clear(g.reached)
	w, h := int64(g.picture.Width), int64(g.picture.Height)
	for sy := k * g.ny; sy < (k+1)*g.ny; sy++ {
		u, v := g.start.u+sy*g.alongY.u, g.start.v+sy*g.alongY.v
		for x := range g.sums {
			sum, outside := int64(0), g.nx
			for range g.nx {
				i, j := u>>fractionBits, v>>fractionBits
				if uint64(i) < uint64(w) && uint64(j) < uint64(h) {
					sum += int64(g.picture.Grey[j*w+i])
					outside--
				}
				u += g.alongX.u
				v += g.alongX.v
			}
			g.sums[x] += sum + 255*outside
			g.reached[x] = g.reached[x] || outside < g.nx
		}
	}
	n := g.nx * g.ny
	for x, sum := range g.sums {
		g.grey[x] = uint8((sum + n/2) / n)
	}
	return g.grey, g.reached
}

// height is where the k-th row of cells has its middle.
func (g *grid) height(k int64) int64 { return g.origin.Y + k*g.pitch + g.pitch/2 }
