package plan_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"strings"
	"testing"

	"kerfgate/plan"
	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/dxf"
	"kerfgate/plan/drawing/raster"
)

// entitiesOf is a DXF file in millimetres of such entities.
func entitiesOf(body string) []byte {
	return []byte("  0\nSECTION\n  2\nHEADER\n  9\n$INSUNITS\n 70\n4\n  0\nENDSEC\n  0\nSECTION\n  2\nENTITIES\n" + body + "  0\nENDSEC\n  0\nEOF\n")
}

// TestBounds: whatever exceeds a bound is refused with that bound, and with what to do.
func TestBounds(t *testing.T) {
	t.Parallel()
	uses := func(n int) string { // each group uses the next one ten times
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `<g id="s%d">%s</g>`, i, strings.Repeat(fmt.Sprintf(`<use href="#s%d"/>`, i+1), 10))
		}
		return "<defs>" + b.String() + fmt.Sprintf(`<path id="s%d" d="M0 0h1"/></defs><use href="#s0"/>`, n)
	}
	// 2900 lines across a circle, of which nearly all cross each other.
	var crossing strings.Builder
	for i := range 2_900 {
		s, c := math.Sincos(float64(i) * math.Pi / 2_900)
		fmt.Fprintf(&crossing, "M%.3f %.3fL%.3f %.3f", 75+70*c, 75+70*s, 75-70*c+s/9, 75-70*s+c/9)
	}
	for _, tc := range []struct {
		name, what, limit string
		drawing           []byte
	}{
		{"bytes of SVG", "too large", "33554432 bytes", []byte(inMM(strings.Repeat(" ", 32<<20)))},
		{"bytes of DXF", "too large", "33554432 bytes", append(entitiesOf(""), bytes.Repeat([]byte("999\n\n"), 7<<20)...)},
		{"bytes of a picture", "too large", "33554432 bytes", append([]byte("\x89PNG\r\n\x1a\n"), make([]byte, 32<<20)...)},
		{"elements of SVG", "too many elements", "200000", []byte(inMM(strings.Repeat("<g/>", 200_001)))},
		{"elements of DXF", "too many elements", "200000", entitiesOf(strings.Repeat("  0\nLINE\n 10\n0\n 20\n0\n 11\n1\n 21\n0\n", 200_001))},
		{"depth", "too deeply", "256", []byte(inMM(strings.Repeat("<g>", 257) + strings.Repeat("</g>", 257)))},
		{"uses", "multiply", "", []byte(inMM(uses(8)))},
		{"points", "too many points", fmt.Sprint(1_500_000), []byte(inMM(`<path d="M0 0` + strings.Repeat("h1v1h-1v-1", 400_000) + `"/>`))},
		{"work", "too many lines lie on or across each other", "", []byte(inMM(`<path d="` + crossing.String() + `"/>`))},
	} {
		_, err := plan.Make(request(string(tc.drawing)))
		var refusal *plan.Refusal
		if !errors.As(err, &refusal) || len(refusal.Reasons) != 1 {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		r := refusal.Reasons[0]
		if !strings.Contains(r.What, tc.what) || r.Next == "" || tc.limit != "" && (r.Limit != tc.limit || r.Value == "") {
			t.Errorf("%s: %+v", tc.name, r)
		}
	}
}

// TestReadersTakeLittleMemory: the largest DXF files and pictures that are read, or nearly, take no more than a
// GiB; SVG has a test of its own.
func TestReadersTakeLittleMemory(t *testing.T) {
	if raceDetector {
		t.Skip("SKIPPED: the race detector takes memory of its own; make test runs this without it")
	}
	fromDXF := func(data []byte) error {
		_, err := dxf.Read(data, dxf.Choices{}, drawing.Limits{})
		return err
	}
	for _, tc := range []struct {
		name string
		data []byte
		read func([]byte) error
	}{
		{"a long polyline", entitiesOf("  0\nLWPOLYLINE\n" + strings.Repeat("10\n1\n20\n2\n10\n3\n20\n4\n", 1_600_000)), fromDXF},
		{"short polylines", entitiesOf(strings.Repeat("0\nLWPOLYLINE\n10\n1\n20\n2\n42\n1\n10\n3\n20\n4\n42\n1\n10\n5\n20\n5\n10\n3\n20\n3\n10\n5\n20\n6\n", 199_000)), fromDXF},
		{"a spline", entitiesOf("  0\nSPLINE\n71\n3\n" + strings.Repeat("40\n1\n10\n1\n20\n2\n", 1_900_000)), fromDXF},
		{"a picture of 16 bits in four channels", blackPNG(5_700, 5_700), func(data []byte) error {
			_, err := raster.Read(data, raster.Choices{WidthMM: 100}, drawing.Limits{})
			return err
		}},
	} {
		if len(tc.data) > 32<<20 {
			t.Errorf("%s: %d bytes are more than is read", tc.name, len(tc.data))
		}
		most := peak()
		err := tc.read(tc.data)
		var refusal *drawing.Refusal
		if err != nil && !errors.As(err, &refusal) {
			t.Errorf("%s: %v", tc.name, err)
		}
		mib := most()
		t.Logf("%s: %d MiB of file, %.0f MiB in all, %v", tc.name, len(tc.data)>>20, mib, err)
		if mib > 1024 {
			t.Errorf("%s took %.0f MiB", tc.name, mib)
		}
	}
}

// blackPNG is a picture without a colour, which takes few bytes however large it is.
func blackPNG(width, height uint32) []byte {
	var out bytes.Buffer
	out.WriteString("\x89PNG\r\n\x1a\n")
	chunk := func(name string, data []byte) {
		_ = binary.Write(&out, binary.BigEndian, uint32(len(data)))
		body := append([]byte(name), data...)
		out.Write(body)
		_ = binary.Write(&out, binary.BigEndian, crc32.ChecksumIEEE(body))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, width), height)
	chunk("IHDR", append(head, 16, 6, 0, 0, 0))
	var packed bytes.Buffer
	z, _ := zlib.NewWriterLevel(&packed, zlib.BestSpeed)
	row := make([]byte, 1+8*width)
	for range height {
		_, _ = z.Write(row)
	}
	_ = z.Close()
	chunk("IDAT", packed.Bytes())
	chunk("IEND", nil)
	return out.Bytes()
}
