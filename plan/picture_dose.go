package plan

import (
	"image"
	"image/color"
	"image/png"
	"io"
	"math"

	"kerfgate/plan/dose"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// DosePNG draws where on the sheet the beam's energy goes, on the machine that the plan was made for: one
// pixel for each half millimetre of what is burned, the darker the more. The darkest has mostUJPerMM2.
func DosePNG(w io.Writer, p *Plan, profile machine.Profile) (mostUJPerMM2 int64, err error) {
	doses, err := DoseMap(p, profile)
	if err != nil {
		return 0, err
	}
	var box geom.Box
	for c := range doses.Cells() {
		if mostUJPerMM2 == 0 {
			box = geom.Box{Min: c.Min, Max: c.Min}
		}
		box, mostUJPerMM2 = box.With(c.Min), max(mostUJPerMM2, c.UJPerMM2(), 1)
	}
	img := image.NewGray(image.Rect(0, 0, int(box.Width()/dose.CellUM)+1, int(box.Height()/dose.CellUM)+1))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	for c := range doses.Cells() {
		dark := float64(c.UJPerMM2()) / float64(mostUJPerMM2)
		img.SetGray(int((c.Min.X-box.Min.X)/dose.CellUM), int((box.Max.Y-c.Min.Y)/dose.CellUM), color.Gray{Y: uint8(245 * (1 - math.Sqrt(dark)))})
	}
	return mostUJPerMM2, png.Encode(w, img)
}
