package engrave

import "fmt"

// Halftone is how greys become dots that are there or not.
type Halftone string

// The halftones. All keep to whole numbers.
const (
	// Threshold makes a dot of what is darker than one grey.
	Threshold Halftone = "threshold"
	// Ordered compares with a matrix of 8 × 8 thresholds (B. E. Bayer, "An optimum method for
	// two-level rendition of continuous-tone pictures", IEEE ICC 1973, vol. 1, 26-11 to 26-15).
	Ordered Halftone = "ordered"
	// Diffusion hands what a dot is too dark or too light on to its neighbours, 7/16, 3/16, 5/16 and
	// 1/16 (R. W. Floyd and L. Steinberg, "An adaptive algorithm for spatial greyscale", Proc. SID
	// 17/2, 1976, 75 to 77), row by row in turning direction.
	Diffusion Halftone = "diffusion"
)

// dots decides row after row which cells are engraved.
type dots struct {
	kind      Halftone
	threshold uint8
	row       int
	// carried and below are what diffusion hands on, in sixteenths of a grey.
	carried, below []int32
	dark           []bool
}

func newDots(p Pattern, columns int) (*dots, error) {
	d := &dots{kind: p.Halftone, threshold: p.Threshold, dark: make([]bool, columns)}
	if d.threshold == 0 {
		d.threshold = 128
	}
	switch d.kind {
	case "", Diffusion:
		d.kind = Diffusion
		d.carried, d.below = make([]int32, columns), make([]int32, columns)
	case Threshold, Ordered:
	default:
		return nil, &Refusal{What: fmt.Sprintf("the halftone %.40q is not known", string(d.kind)), Next: "choose threshold, ordered or diffusion"}
	}
	return d, nil
}

// next gives the dots of the next row; cells of the grid that the picture does not reach get none.
// The answer is good until the next call.
func (d *dots) next(grey []uint8, reached []bool) []bool {
	switch d.kind {
	case Threshold:
		for x, g := range grey {
			d.dark[x] = g < d.threshold
		}
	case Ordered:
		// The 64 levels lie in the middles of 64 equal parts of 0 to 255: g < 255·(m + ½)/64.
		for x, g := range grey {
			d.dark[x] = int(g)*128 < 255*(2*bayer(x%8, d.row%8)+1)
		}
	case Diffusion:
		d.diffuse(grey, reached)
	}
	for x := range d.dark {
		d.dark[x] = d.dark[x] && reached[x]
	}
	d.row++
	return d.dark
}

// bayer is the place of (x, y) in the order of Bayer's matrix of 8 × 8: the bits of x ^ y and y,
// interleaved from the lowest up, read from the highest down.
func bayer(x, y int) int {
	m := 0
	for bit := range 3 {
		m = m<<2 | (x^y)>>bit&1<<1 | y>>bit&1
	}
	return m
}

// diffuse goes over one row. At its ends what would leave the row goes straight on to the next, so
// that no grey is lost.
func (d *dots) diffuse(grey []uint8, reached []bool) {
	const white = 16 * 255
	clear(d.below)
	x, step, end := 0, 1, len(grey)
	if d.row%2 == 1 {
		x, step, end = len(grey)-1, -1, -1
	}
	for ; x != end; x += step {
		value := 16*int32(grey[x]) + d.carried[x]
		d.dark[x] = 2*value < white && reached[x]
		rest := value
		if !d.dark[x] {
			rest -= white
		}
		ahead, behind, straight := rest*7/16, rest*3/16, rest*5/16
		slant := rest - ahead - behind - straight
		if x+step != end {
			d.carried[x+step] += ahead
			d.below[x+step] += slant
		} else {
			straight += ahead + slant
		}
		if before := x - step; before >= 0 && before < len(grey) {
			d.below[before] += behind
		} else {
			straight += behind
		}
		d.below[x] += straight
	}
	d.carried, d.below = d.below, d.carried
}
