package api

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/gif"
	"image/jpeg"
	"image/png"
	"testing"
)

// TestS16_OddPhotos: what a file is, its content says. What is two things at once loses the other one; what a browser
// would run, and what would take much memory, is refused.
func TestS16_OddPhotos(t *testing.T) {
	t.Parallel()
	var asJPEG, asPNG, asGIF bytes.Buffer
	p := image.NewNRGBA(image.Rect(0, 0, 8, 8))
	for _, err := range []error{jpeg.Encode(&asJPEG, p, nil), png.Encode(&asPNG, p), gif.Encode(&asGIF, p, nil)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	const hidden = `<script>alert(1)</script>`
	segment := func(marker byte, text string) []byte {
		return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(text)+2)), text...)
	}
	chunk := func(kind, text string) []byte {
		b := binary.BigEndian.AppendUint32(nil, uint32(len(text)))
		b = append(append(b, kind...), text...)
		return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
	}
	j, g := asJPEG.Bytes(), asPNG.Bytes()
	inJPEG := func(s []byte) []byte { return append(append(bytes.Clone(j[:2]), s...), j[2:]...) }
	for name, data := range map[string][]byte{
		"a page behind the picture":      append(bytes.Clone(j), "<html>"+hidden...),
		"an archive behind the picture":  append(bytes.Clone(j), "PK\x03\x04"+hidden...),
		"a comment":                      inJPEG(segment(0xfe, hidden)),
		"an Exif block":                  inJPEG(segment(0xe1, "Exif\x00\x00"+hidden)),
		"an XMP block":                   inJPEG(segment(0xe1, "http://ns.adobe.com/xap/1.0/\x00"+hidden)),
		"a colour profile":               inJPEG(segment(0xe2, "ICC_PROFILE\x00\x01\x01"+hidden)),
		"a text chunk":                   append(append(bytes.Clone(g[:33]), chunk("tEXt", "Comment\x00"+hidden)...), g[33:]...),
		"a page behind the PNG":          append(bytes.Clone(g), hidden...),
		"an Exif block cut short":        inJPEG(segment(0xe1, "Exif\x00\x00II")),
		"an Exif block that points away": inJPEG(segment(0xe1, "Exif\x00\x00II*\x00\xff\xff\xff\xff"+hidden)),
	} {
		kept, err := ownPhoto(bytes.NewReader(data))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if again, err := jpeg.Decode(bytes.NewReader(kept)); err != nil || again.Bounds() != p.Bounds() {
			t.Errorf("%s: %v", name, err)
		}
		for _, word := range []string{"script", "PK\x03", "Exif", "xap", "ICC_", "html"} {
			if bytes.Contains(kept, []byte(word)) {
				t.Errorf("%s: %q is kept", name, word)
			}
		}
	}
	deep := bytes.Clone(hugePNG(7000, 7000)) // 8 bits: within bounds, but nothing follows
	deep[24] = 16                            // bits of each sample (PNG, 11.2.2 IHDR)
	binary.BigEndian.PutUint32(deep[29:], crc32.ChecksumIEEE(deep[12:29]))
	slow := bytes.Clone(j)
	frame := bytes.Index(slow, []byte{0xff, 0xc0})
	slow[frame+1] = 0xc2
	binary.BigEndian.PutUint16(slow[frame+5:], 5000)
	binary.BigEndian.PutUint16(slow[frame+7:], 5000)
	before := totalAlloc()
	for name, data := range map[string][]byte{
		"an SVG":                           []byte(`<svg xmlns="http://www.w3.org/2000/svg" width="8" height="8">` + hidden + `</svg>`),
		"a GIF":                            asGIF.Bytes(),
		"a GIF that is a script too":       []byte("GIF89a=1;alert(1)//"),
		"a PDF":                            []byte("%PDF-1.7\n" + hidden),
		"a page before the picture":        append([]byte("<html>"+hidden), j...),
		"64 bits a pixel":                  deep,
		"a progressive one of 5000²":       slow,
		"nothing but a beginning":          {0xff, 0xd8, 0xff},
		"a segment that is longer than it": {0xff, 0xd8, 0xff, 0xe1, 0xff, 0xff, 'E'},
	} {
		_, err := ownPhoto(bytes.NewReader(data))
		if err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	if grown := totalAlloc() - before; grown > 64<<20 {
		t.Errorf("%d MiB were allocated for what is refused", grown>>20)
	}
}
