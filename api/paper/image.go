package paper

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
)

// opened decodes a picture whole: half a picture would spoil the document that it is in.
func opened(data []byte) (image.Image, error) {
	picture, _, err := image.Decode(bytes.NewReader(data))
	return picture, err
}

// widened is a picture with so many white columns on its right, in the format that it came in.
func widened(picture image.Image, columns int, kind string) ([]byte, error) {
	b := picture.Bounds()
	to := image.NewRGBA(image.Rect(0, 0, b.Dx()+columns, b.Dy()))
	draw.Draw(to, to.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.Draw(to, image.Rect(0, 0, b.Dx(), b.Dy()), picture, b.Min, draw.Over)
	var out bytes.Buffer
	if kind == "PNG" {
		err := png.Encode(&out, to)
		return out.Bytes(), err
	}
	err := jpeg.Encode(&out, to, &jpeg.Options{Quality: 95})
	return out.Bytes(), err
}
