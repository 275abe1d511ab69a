package paper

import (
	"bytes"
	"image"
	_ "image/jpeg" // photos
	_ "image/png"  // sheets after a run
)

// size reads how large a picture is, decoding it whole: half a picture would spoil the document that it is in.
func size(data []byte) (w, h float64, err error) {
	picture, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return 0, 0, err
	}
	b := picture.Bounds()
	return float64(b.Dx()), float64(b.Dy()), nil
}
