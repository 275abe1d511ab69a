package qr_test

import (
	"image"
	"image/color"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"

	"kerfgate/api/qr"
)

// TestCode: a reader that shares nothing with the writer reads what was written; 271 bytes fit (ISO/IEC 18004,
// table 7: version 10-L), one more is refused.
func TestCode(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"site/logbook\n41\n", strings.Repeat("ä— ", 45), strings.Repeat("k", 271)} {
		c, err := qr.Of(text)
		if err != nil {
			t.Fatalf("%d bytes: %v", len(text), err)
		}
		const scale, margin = 4, 4
		img := image.NewGray(image.Rect(0, 0, (c.Side+2*margin)*scale, (c.Side+2*margin)*scale))
		for i := range img.Pix {
			img.Pix[i] = 255
		}
		c.Rows(func(x, y, wide int) {
			for py := range scale {
				for px := range wide * scale {
					img.SetGray((x+margin)*scale+px, (y+margin)*scale+py, color.Gray{})
				}
			}
		})
		bitmap, err := gozxing.NewBinaryBitmapFromImage(img)
		if err != nil {
			t.Fatal(err)
		}
		read, err := qrcode.NewQRCodeReader().Decode(bitmap, nil)
		if err != nil || read.GetText() != text {
			t.Errorf("%d bytes, read %q, %v", len(text), read, err)
		}
	}
	if _, err := qr.Of(strings.Repeat("k", 272)); err == nil {
		t.Error("272 bytes were written as version 10")
	}
}
