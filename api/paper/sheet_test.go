package paper

import (
	"bytes"
	"image"
	"image/png"
	"testing"
	"time"
)

// TestSameBytes: a document is the same however often it was written before, also while others are: the PDF
// writer changes the faces that it is given.
func TestSameBytes(t *testing.T) {
	t.Parallel()
	write := func() []byte {
		s, err := begin("Dossier", "foot", time.Unix(1_700_000_000, 0))
		if err != nil {
			t.Error(err)
			return nil
		}
		s.para("Žofie: OD ≥ 5, CO₂, √(ρ·P·cosθ/(π·limit)), ä ö ü é ñ ﬁ, µ and μ, “quoted” – and — more; 漢 𝄞")
		s.text(bold, textPt, 0, "ÄÖÜ")
		s.text(mono, textPt, 0, "AÅ+/=")
		if !s.lacking {
			t.Error("what the face lacks was not noticed")
		}
		for n, name := range []string{"sheet", "photo 0", "photo 1"} { // all equally wide
			picture := image.NewGray(image.Rect(0, 0, 30, 20))
			picture.Pix[n] = 255
			var data bytes.Buffer
			if err := png.Encode(&data, picture); err != nil {
				t.Error(err)
			}
			s.picture(name, name, data.Bytes(), 40)
		}
		var out bytes.Buffer
		if err := s.end(&out); err != nil {
			t.Error(err)
		}
		return out.Bytes()
	}
	first := write()
	files := make(chan []byte)
	const times = 8
	for range times {
		go func() { files <- write() }()
	}
	for range times {
		if !bytes.Equal(first, <-files) {
			t.Error("written again it differs")
		}
	}
}

// TestPictureThatIsNone: what is kept as a picture and is none is said to be none, and spoils no document.
func TestPictureThatIsNone(t *testing.T) {
	t.Parallel()
	s, err := begin("Dossier", "foot", time.Unix(0, 0))
	if err != nil {
		t.Fatal(err)
	}
	s.picture("sheet", "The sheet", []byte("\x89PNG\r\n\x1a\n of the sheet"), 90)
	if err := s.end(new(bytes.Buffer)); err != nil {
		t.Error(err)
	}
}
