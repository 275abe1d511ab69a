package svg

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
)

// ramp is a PNG as data: address whose grey at (i, j) is 10·i + j.
func ramp(t *testing.T, width, height int) string {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, width, height))
	for j := range height {
		for i := range width {
			img.SetGray(i, j, color.Gray{Y: uint8(10*i + j)})
		}
	}
	var out bytes.Buffer
	if err := png.Encode(&out, img); err != nil {
		t.Fatal(err)
	}
	return "data:image/png;base64," + base64.StdEncoding.EncodeToString(out.Bytes())
}

// TestPictures checks where a picture's pixels come to lie, in mm, and which of them are kept (SVG 2
// §8.7 and §12.1). The picture has 6 × 3 pixels.
func TestPictures(t *testing.T) {
	t.Parallel()
	address := ramp(t, 6, 3)
	for _, tc := range []struct {
		attrs               string
		width, height       int
		first               uint8 // grey of the upper left pixel
		origin, right, down drawing.Vec
	}{
		{`x="10" y="20" width="60" height="60"`, 6, 3, 0, vec(10, 35), vec(10, 0), vec(0, 10)},
		{`x="10" y="20" width="60" height="60" preserveAspectRatio="xMidYMax"`, 6, 3, 0, vec(10, 50), vec(10, 0), vec(0, 10)},
		{`x="10" y="20" width="60" height="60" preserveAspectRatio="none"`, 6, 3, 0, vec(10, 20), vec(10, 0), vec(0, 20)},
		{`width="30" height="30" preserveAspectRatio="xMaxYMin slice"`, 3, 3, 30, vec(0, 0), vec(10, 0), vec(0, 10)},
		{`width="20" height="30" preserveAspectRatio="xMidYMid slice"`, 2, 3, 20, vec(0, 0), vec(10, 0), vec(0, 10)},
		{`x="1" y="2"`, 6, 3, 0, vec(1, 2), vec(1, 0), vec(0, 1)},
		{`width="12"`, 6, 3, 0, vec(0, 0), vec(2, 0), vec(0, 2)},
		{`height="12" transform="rotate(90)"`, 6, 3, 0, vec(0, 0), vec(0, 4), vec(-4, 0)},
	} {
		d := read(t, inMM(`<image href="`+address+`" `+tc.attrs+`/>`))
		if len(d.Pictures) != 1 {
			t.Errorf("%s: %d pictures, %v", tc.attrs, len(d.Pictures), d.Notices)
			continue
		}
		p := d.Pictures[0]
		if p.Width != tc.width || p.Height != tc.height || len(p.Grey) != tc.width*tc.height {
			t.Errorf("%s: %d × %d pixels, %d bytes", tc.attrs, p.Width, p.Height, len(p.Grey))
			continue
		}
		if last := tc.first + uint8(10*(tc.width-1)+tc.height-1); p.Grey[0] != tc.first || p.Grey[len(p.Grey)-1] != last {
			t.Errorf("%s: grey %d to %d, want %d to %d", tc.attrs, p.Grey[0], p.Grey[len(p.Grey)-1], tc.first, last)
		}
		for _, pair := range [][2]drawing.Vec{{p.Origin, tc.origin}, {p.Right, tc.right}, {p.Down, tc.down}} {
			if math.Hypot(pair[0].X-pair[1].X, pair[0].Y-pair[1].Y) > 1e-9 {
				t.Errorf("%s: got %v, want %v", tc.attrs, pair[0], pair[1])
			}
		}
	}
}

// TestPicturePixelsAreBounded: every instance of a picture counts.
func TestPicturePixelsAreBounded(t *testing.T) {
	t.Parallel()
	body := `<image id="i" width="6" href="` + ramp(t, 6, 3) + `"/>`
	for uses, refused := range map[int]bool{4: false, 5: true} {
		_, err := Read([]byte(inMM(body+strings.Repeat(`<use href="#i"/>`, uses))), drawing.Limits{Pixels: 5 * 18})
		var refusal *drawing.Refusal
		if errors.As(err, &refusal) != refused {
			t.Errorf("%d more instances of 18 pixels: %v", uses, err)
		}
	}
	if _, err := Read([]byte(inMM(body)), drawing.Limits{Pixels: 17}); err == nil || !strings.Contains(fmt.Sprint(err), "image \"i\"") {
		t.Errorf("one picture over the limit: %v", err)
	}
}
