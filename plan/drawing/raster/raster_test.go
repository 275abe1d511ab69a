package raster_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/raster"
)

// asPNG writes a picture, with chunks put behind its header.
func asPNG(t testing.TB, img image.Image, chunks ...[]byte) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := png.Encode(&out, img); err != nil {
		t.Fatal(err)
	}
	const behindHeader = 8 + 25
	return slices.Insert(out.Bytes(), behindHeader, bytes.Join(chunks, nil)...)
}

func chunk(kind string, data ...byte) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	out = append(append(out, kind...), data...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

// phys is a pHYs chunk (PNG specification, 11.3.4.3): pixels a unit along x and y; unit 1 is the metre.
func phys(x, y uint32, unit byte) []byte {
	data := binary.BigEndian.AppendUint32(nil, x)
	return chunk("pHYs", append(binary.BigEndian.AppendUint32(data, y), unit)...)
}

// asJPEG writes a picture, with segments put behind its beginning.
func asJPEG(t testing.TB, img image.Image, segments ...[]byte) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := jpeg.Encode(&out, img, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return slices.Insert(out.Bytes(), 2, bytes.Join(segments, nil)...)
}

func segment(marker byte, data []byte) []byte {
	return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(data)+2)), data...)
}

// jfif is an APP0 segment (ITU-T T.871, 10.1).
func jfif(unit byte, x, y uint16) []byte {
	data := append([]byte("JFIF\x00"), 1, 2, unit)
	data = binary.BigEndian.AppendUint16(data, x)
	return segment(0xe0, append(binary.BigEndian.AppendUint16(data, y), 0, 0))
}

// exif is a block as TIFF 6.0 lays it out: orientation, and a resolution unless it is 0.
func exif(order binary.AppendByteOrder, orientation uint16, resolution uint32, unit uint16) []byte {
	out := []byte("II*\x00")
	if order == binary.AppendByteOrder(binary.BigEndian) {
		out = []byte("MM\x00*")
	}
	out = order.AppendUint32(out, 8)
	entry := func(tag, kind uint16, count uint32, value ...uint16) {
		out = order.AppendUint16(order.AppendUint16(out, tag), kind)
		out = order.AppendUint32(out, count)
		for _, v := range append(value, 0)[:2] {
			out = order.AppendUint16(out, v)
		}
	}
	long := func(tag uint16, at uint32) {
		out = order.AppendUint16(order.AppendUint16(out, tag), 5)
		out = order.AppendUint32(order.AppendUint32(out, 1), at)
	}
	out = order.AppendUint16(out, 4)
	entry(0x0112, 3, 1, orientation)
	const behind = 8 + 2 + 4*12 + 4
	long(0x011a, behind)
	long(0x011b, behind)
	entry(0x0128, 3, 1, unit)
	out = order.AppendUint32(out, 0)
	return order.AppendUint32(order.AppendUint32(out, resolution*10), 10)
}

// corners is a picture of 3 × 2 pixels, whose greys tell them apart.
func corners() *image.Gray {
	return &image.Gray{Pix: []uint8{10, 20, 30, 40, 50, 60}, Stride: 3, Rect: image.Rect(0, 0, 3, 2)}
}

func refusal(t testing.TB, err error) *drawing.Refusal {
	t.Helper()
	var r *drawing.Refusal
	if !errors.As(err, &r) {
		t.Fatalf("no refusal: %v", err)
	}
	if r.What == "" || r.Next == "" {
		t.Errorf("a refusal without what or next: %+v", r)
	}
	return r
}

// TestColours: the luma weights of ITU-R BT.601, 0.299 R + 0.587 G + 0.114 B, over white.
func TestColours(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		c    color.Color
		want uint8
	}{
		{"red", color.NRGBA{255, 0, 0, 255}, 76},
		{"green", color.NRGBA{0, 255, 0, 255}, 150},
		{"blue", color.NRGBA{0, 0, 255, 255}, 29},
		{"white", color.NRGBA{255, 255, 255, 255}, 255},
		{"nothing", color.NRGBA{0, 0, 0, 0}, 255},
		{"half black", color.NRGBA{0, 0, 0, 128}, 127},
		{"16 bits", color.NRGBA64{0x8080, 0x8080, 0x8080, 0xffff}, 128},
		{"a quarter of black in 16 bits", color.NRGBA64{0, 0, 0, 0x4000}, 191},
	} {
		var img image.Image
		if c, wide := tc.c.(color.NRGBA64); wide {
			wide := image.NewNRGBA64(image.Rect(0, 0, 1, 1))
			wide.SetNRGBA64(0, 0, c)
			img = wide
		} else {
			narrow := image.NewNRGBA(image.Rect(0, 0, 1, 1))
			narrow.Set(0, 0, tc.c)
			img = narrow
		}
		w, h, grey, err := raster.Grey(asPNG(t, img), drawing.Limits{})
		if err != nil || w != 1 || h != 1 || grey[0] != tc.want {
			t.Errorf("%s: %d × %d %v, %v; want %d", tc.name, w, h, grey, err, tc.want)
		}
	}
	// One bit a pixel, from a palette of two.
	bits := image.NewPaletted(image.Rect(0, 0, 9, 1), color.Palette{color.Black, color.White})
	copy(bits.Pix, []uint8{0, 1, 0, 0, 1, 1, 0, 1, 0})
	_, _, grey, err := raster.Grey(asPNG(t, bits), drawing.Limits{})
	if want := []uint8{0, 255, 0, 0, 255, 255, 0, 255, 0}; err != nil || !slices.Equal(grey, want) {
		t.Errorf("one bit: %v, %v", grey, err)
	}
}

// goPictures is a folder of the Go sources' own test pictures.
func goPictures(t *testing.T, parts ...string) string {
	t.Helper()
	//lint:ignore SA1019 the pictures lie in the toolchain that builds the test, on this machine
	dir := filepath.Join(append([]string{runtime.GOROOT(), "src", "image"}, parts...)...)
	if _, err := os.Stat(dir); err != nil {
		t.Skipf("SKIPPED: this Go installation holds no test pictures (%s)", dir)
	}
	return dir
}

// TestJPEGIsItsPicture: each JPEG of a photograph is, in grey, the PNG that it was made from (the Go
// sources' image/testdata, by other encoders: sampling 4:4:4 to 4:1:0, baseline and progressive,
// restarts, grey, RGB). The mean difference is that of their quality.
func TestJPEGIsItsPicture(t *testing.T) {
	t.Parallel()
	dir := goPictures(t, "testdata")
	read := func(name string) (int, int, []uint8) {
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		w, h, grey, err := raster.Grey(data, drawing.Limits{})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return w, h, grey
	}
	compared := 0
	for _, tc := range []struct{ jpegs, png string }{
		{"video-001*.jpeg", "video-001.png"}, {"video-005*.jpeg", "video-005.gray.png"},
	} {
		w, h, want := read(tc.png)
		names, err := filepath.Glob(filepath.Join(dir, tc.jpegs))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			name = filepath.Base(name)
			if name == "video-001.progressive.truncated.jpeg" || name == "video-001.221212.jpeg" {
				continue // half a picture; a picture of another size
			}
			want := want
			if own, ok := strings.CutSuffix(name, ".jpeg"); ok && (strings.HasSuffix(own, ".cmyk") || strings.HasSuffix(own, ".rgb")) {
				_, _, want = read(own + ".png") // made from it after another conversion of colours
			}
			gw, gh, got := read(name)
			if gw != w || gh != h {
				t.Errorf("%s: %d × %d", name, gw, gh)
				continue
			}
			var sum float64
			for i := range want {
				sum += math.Abs(float64(want[i]) - float64(got[i]))
			}
			most := 1.0
			if strings.Contains(name, ".q50.") || strings.Contains(name, ".restart2.") {
				most = 6 // saved coarsely
			}
			if mean := sum / float64(len(want)); mean > most {
				t.Errorf("%s: differs by %.1f greys on average", name, mean)
			}
			compared++
		}
	}
	if compared < 15 {
		t.Errorf("only %d pictures compared", compared)
	}
}

// TestPNGSuite: every picture of the PNG suite that the Go sources hold (all depths and kinds of
// colour, palettes, transparency, interlacing) decodes, and those that are one picture at several
// depths look alike: the 8-bit grey ramp and its 16-bit form.
func TestPNGSuite(t *testing.T) {
	t.Parallel()
	dir := goPictures(t, "png", "testdata", "pngsuite")
	names, err := filepath.Glob(filepath.Join(dir, "*.png"))
	if err != nil || len(names) < 20 {
		t.Fatalf("%d pictures, %v", len(names), err)
	}
	for _, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		w, h, grey, err := raster.Grey(data, drawing.Limits{})
		if err != nil || len(grey) != w*h || w != 32 && w != 30 && w != 31 && w != 29 {
			t.Errorf("%s: %d × %d, %v", filepath.Base(name), w, h, err)
		}
	}
	// basn0g08 by its own listing (basn0g08.sng): greys count up from 0 along the rows, then down.
	data, err := os.ReadFile(filepath.Join(dir, "basn0g08.png"))
	if err != nil {
		t.Fatal(err)
	}
	_, _, grey, err := raster.Grey(data, drawing.Limits{})
	if err != nil || grey[0] != 0 || grey[33] != 33 || grey[255] != 255 {
		t.Errorf("basn0g08: %v, %v", grey[:40], err)
	}
}

// TestOrientation: Exif 2.3, 4.6.4: where the stored row 0 and column 0 lie for each of the eight.
func TestOrientation(t *testing.T) {
	t.Parallel()
	for orientation, want := range map[uint16][]uint8{
		0: {10, 20, 30, 40, 50, 60},
		1: {10, 20, 30, 40, 50, 60},
		2: {30, 20, 10, 60, 50, 40}, // top, right
		3: {60, 50, 40, 30, 20, 10}, // bottom, right
		4: {40, 50, 60, 10, 20, 30}, // bottom, left
		5: {10, 40, 20, 50, 30, 60}, // left, top
		6: {40, 10, 50, 20, 60, 30}, // right, top
		7: {60, 30, 50, 20, 40, 10}, // right, bottom
		8: {30, 60, 20, 50, 10, 40}, // left, bottom
		9: {10, 20, 30, 40, 50, 60},
	} {
		for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
			data := asPNG(t, corners(), chunk("eXIf", exif(order, orientation, 72, 2)...))
			w, h, grey, err := raster.Grey(data, drawing.Limits{})
			turned := orientation >= 5 && orientation <= 8
			if err != nil || !slices.Equal(grey, want) || turned != (w == 2) || turned != (h == 3) {
				t.Errorf("%d, %v: %d × %d %v, %v", orientation, order, w, h, grey, err)
			}
		}
	}
}

// TestSize: PNG pHYs, JFIF density, Exif resolution, the chosen width, and what has none.
func TestSize(t *testing.T) {
	t.Parallel()
	big := binary.BigEndian
	app1 := func(block []byte) []byte { return segment(0xe1, append([]byte("Exif\x00\x00"), block...)) }
	for _, tc := range []struct {
		name         string
		data         []byte
		width        float64 // chosen
		wantW, wantH float64 // mm; 0 = asks
	}{
		{"10 px/mm", asPNG(t, corners(), phys(10_000, 10_000, 1)), 0, 0.3, 0.2},
		{"narrow pixels", asPNG(t, corners(), phys(20_000, 10_000, 1)), 0, 0.15, 0.2},
		{"a ratio only", asPNG(t, corners(), phys(2, 1, 0)), 0, 0, 0},
		{"a ratio and a width", asPNG(t, corners(), phys(2, 1, 0)), 30, 30, 40},
		{"nothing", asPNG(t, corners()), 0, 0, 0},
		{"a width", asPNG(t, corners()), 30, 30, 20},
		{"a width against the file's", asPNG(t, corners(), phys(10_000, 10_000, 1)), 30, 30, 20},
		{"zero", asPNG(t, corners(), phys(0, 0, 1)), 0, 0, 0},
		{"254 dpi", asJPEG(t, corners(), jfif(1, 254, 254)), 0, 0.3, 0.2},
		{"100 dpcm", asJPEG(t, corners(), jfif(2, 100, 50)), 0, 0.3, 0.4},
		{"JFIF ratio", asJPEG(t, corners(), jfif(0, 1, 1)), 0, 0, 0},
		{"JFIF before Exif", asJPEG(t, corners(), jfif(1, 254, 254), app1(exif(big, 1, 300, 2))), 0, 0.3, 0.2},
		{"Exif", asJPEG(t, corners(), app1(exif(big, 1, 254, 2))), 0, 0.3, 0.2},
		{"Exif in cm", asJPEG(t, corners(), jfif(0, 1, 1), app1(exif(big, 1, 100, 3))), 0, 0.3, 0.2},
		{"Exif of a camera: unknown", asJPEG(t, corners(), app1(exif(big, 1, 72, 2))), 0, 0, 0},
		{"turned, narrow", asPNG(t, corners(), phys(20_000, 10_000, 1), chunk("eXIf", exif(big, 6, 72, 2)...)), 0, 0.2, 0.15},
	} {
		d, err := raster.Read(tc.data, raster.Choices{WidthMM: tc.width}, drawing.Limits{})
		if tc.wantW == 0 {
			if r := refusal(t, err); r.Asks != "width" {
				t.Errorf("%s: %+v", tc.name, r)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		if math.Abs(d.WidthMM-tc.wantW) > 1e-9 || math.Abs(d.HeightMM-tc.wantH) > 1e-9 || len(d.Pictures) != 1 {
			t.Errorf("%s: %v × %v mm, want %v × %v", tc.name, d.WidthMM, d.HeightMM, tc.wantW, tc.wantH)
		}
		if p := d.Pictures[0]; math.Abs(float64(p.Width)*p.Right.X-d.WidthMM) > 1e-9 || math.Abs(float64(p.Height)*p.Down.Y-d.HeightMM) > 1e-9 {
			t.Errorf("%s: the picture spans %v and %v", tc.name, p.Right, p.Down)
		}
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1), 10_001} {
		_, err := raster.Read(asPNG(t, corners()), raster.Choices{WidthMM: bad}, drawing.Limits{})
		if r := refusal(t, err); r.Asks != "width" {
			t.Errorf("%v mm wide: %+v", bad, r)
		}
	}
	_, err := raster.Read(asPNG(t, corners(), phys(1, 100, 1)), raster.Choices{WidthMM: 9_000}, drawing.Limits{})
	if err != nil {
		t.Errorf("wide: %v", err) // 9 m by 60 mm
	}
	_, err = raster.Read(asPNG(t, corners(), phys(100, 1, 1)), raster.Choices{WidthMM: 900}, drawing.Limits{})
	if r := refusal(t, err); r.Limit != "10000 mm" {
		t.Errorf("60 m high: %+v", r)
	}
}

// TestBombs: what says that it is huge is refused by its header, before pixels are decoded; the
// limit and the value are named.
func TestBombs(t *testing.T) {
	t.Parallel()
	ihdr := func(w, h uint32, depth, colour, interlace byte) []byte {
		data := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
		return append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", append(data, depth, colour, 0, 0, interlace)...)...)
	}
	sof := func(marker byte, w, h uint16, sampling ...byte) []byte {
		data := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16([]byte{8}, h), w)
		data = append(data, byte(len(sampling)))
		for i, s := range sampling {
			data = append(data, byte(i+1), s, 0)
		}
		return append([]byte{0xff, 0xd8}, segment(marker, data)...)
	}
	many := append(sof(0xc2, 8, 8, 0x11), bytes.Repeat([]byte{0xff, 0xda}, 101)...)
	for _, tc := range []struct {
		name         string
		data         []byte
		limit, value string
	}{
		{"PNG", ihdr(100_000, 100_000, 1, 0, 0), "40000000 pixels", "100000 × 100000"},
		{"PNG, one row", ihdr(1<<31-1, 1, 1, 0, 0), "40000000 pixels", "2147483647 × 1"},
		{"PNG, all there is", ihdr(1<<31-1, 1<<31-1, 16, 6, 1), "40000000 pixels", "2147483647 × 2147483647"},
		{"PNG of 16 bits", ihdr(6_000, 6_000, 16, 6, 0), "268435456 bytes", "288000000 bytes"},
		{"JPEG", sof(0xc0, 65_535, 65_535, 0x22, 0x11, 0x11), "40000000 pixels", "65535 × 65535"},
		{"progressive JPEG", sof(0xc2, 6_400, 6_400, 0x11, 0x11, 0x11), "40000000 pixels", "6400 × 6400"},
		{"progressive JPEG within the pixels", sof(0xc2, 6_000, 6_000, 0x11, 0x11, 0x11), "268435456 bytes", "684000000 bytes"},
		{"scans", many, "100", "101"},
	} {
		_, _, _, err := raster.Grey(tc.data, drawing.Limits{})
		if r := refusal(t, err); r.Limit != tc.limit || r.Value != tc.value {
			t.Errorf("%s: %q, limit %q, value %q", tc.name, r.What, r.Limit, r.Value)
		}
	}
	data := asPNG(t, corners())
	_, _, _, err := raster.Grey(data, drawing.Limits{Bytes: len(data) - 1})
	if r := refusal(t, err); r.Limit == "" {
		t.Errorf("bytes: %+v", r)
	}
	_, _, _, err = raster.Grey(data, drawing.Limits{Pixels: 5})
	if r := refusal(t, err); r.Limit != "5 pixels" || r.Value != "3 × 2" {
		t.Errorf("pixels: %+v", r)
	}
	if _, _, _, err = raster.Grey(data, drawing.Limits{Pixels: 6, Bytes: len(data)}); err != nil {
		t.Errorf("at its limits: %v", err)
	}
}

func TestBroken(t *testing.T) {
	t.Parallel()
	whole := asPNG(t, corners())
	photo := asJPEG(t, corners())
	for name, data := range map[string][]byte{
		"nothing": nil, "text": []byte("<svg/>"), "PNG's first bytes": whole[:8], "half a header": whole[:20],
		"half a PNG": whole[:len(whole)-20], "JPEG's first bytes": photo[:4], "half a JPEG": photo[:len(photo)-20],
		"two headers": slices.Concat(whole[:33], whole[8:]), "two frames": slices.Concat(photo[:len(photo)-2], photo[2:]),
	} {
		_, _, _, err := raster.Grey(data, drawing.Limits{})
		refusal(t, err)
		if raster.Is(data) != (len(data) > 3 && name != "text") {
			t.Errorf("%s: is a picture: %v", name, raster.Is(data))
		}
	}
}

// TestJPEGBytes: the decoder's grey, bit for bit. If this fails after a new toolchain, JPEGs make
// other plans than before: the planner needs a new version.
func TestJPEGBytes(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("testdata/leaf.jpg")
	if err != nil {
		t.Fatal(err)
	}
	_, _, grey, err := raster.Grey(data, drawing.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(grey)
	if got := hex.EncodeToString(sum[:]); got != leafSum {
		t.Errorf("the picture's grey is now %s", got)
	}
}

const leafSum = "bc45d418c894301df7f6cb4fef5a0256f923b19c5775e81629a36d84628209b1"

// FuzzPicture: whatever the bytes, there is a drawing that holds together or a refusal.
func FuzzPicture(f *testing.F) {
	f.Add(asPNG(f, corners(), phys(10_000, 10_000, 1)), 0.0)
	f.Add(asPNG(f, corners(), chunk("eXIf", exif(binary.LittleEndian, 6, 300, 2)...)), 20.0)
	f.Add(asJPEG(f, corners(), jfif(1, 254, 254)), 0.0)
	f.Add(asJPEG(f, corners(), segment(0xe1, append([]byte("Exif\x00\x00"), exif(binary.BigEndian, 8, 300, 3)...))), 0.0)
	f.Fuzz(func(t *testing.T, data []byte, width float64) {
		limits := drawing.Limits{Bytes: 1 << 16, Pixels: 1 << 14}
		d, err := raster.Read(data, raster.Choices{WidthMM: width}, limits)
		if err != nil {
			if r := refusal(t, err); r.Asks != "" && r.Asks != "width" {
				t.Errorf("asks for %q", r.Asks)
			}
			return
		}
		p := d.Pictures[0]
		if len(p.Grey) != p.Width*p.Height || len(p.Grey) == 0 || len(p.Grey) > limits.Pixels {
			t.Errorf("%d × %d pixels in %d bytes", p.Width, p.Height, len(p.Grey))
		}
		if !(d.WidthMM > 0 && d.WidthMM <= drawing.MaxExtentMM*1.001 && d.HeightMM > 0 && d.HeightMM <= drawing.MaxExtentMM*1.001) {
			t.Errorf("%v × %v mm", d.WidthMM, d.HeightMM)
		}
	})
}
