package paper

import (
	"strings"
	"sync"
	"unicode"

	"github.com/go-fonts/dejavu/dejavusans"
	"github.com/go-fonts/dejavu/dejavusansbold"
	"github.com/go-fonts/dejavu/dejavusansmono"
	"golang.org/x/image/font/sfnt"
)

// Faces of the documents, each part of them: DejaVu, under its free licence.
const (
	regular = ""
	bold    = "B"
	mono    = "M" // for what is compared letter by letter
)

var faces = map[string][]byte{regular: dejavusans.TTF, bold: dejavusansbold.TTF, mono: dejavusansmono.TTF}

// missing stands for a letter that a face has not; the same dossier as data has it.
const missing = '�'

var parsedFaces = sync.OnceValues(func() (map[string]*sfnt.Font, error) {
	all := map[string]*sfnt.Font{}
	for face, data := range faces {
		f, err := sfnt.Parse(data)
		if err != nil {
			return nil, err
		}
		all[face] = f
	}
	return all, nil
})

// written is a text as a face can show it: no control characters, and a sign for what the face lacks. The PDF
// writer knows letters of the basic plane alone.
func written(f *sfnt.Font, text string) string {
	var buffer sfnt.Buffer
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return r
		case unicode.IsControl(r) || r == '\u2028' || r == '\u2029':
			return ' '
		case unicode.Is(unicode.Cf, r): // marks of direction and joining, which nobody sees
			return -1
		}
		if glyph, err := f.GlyphIndex(&buffer, r); r > 0xffff || err != nil || glyph == 0 {
			return missing
		}
		return r
	}, text)
}
