// Package paper writes what the pages show as PDF documents, for binders and for sending.
package paper

import (
	"bytes"
	"fmt"
	"image"
	"io"
	"time"

	"github.com/go-pdf/fpdf"
	"golang.org/x/image/font/sfnt"

	"kerfgate/api/qr"
)

// Measures of an A4 sheet (ISO 216) and of what stands on it, in mm and points.
const (
	margin = 18.0
	width  = 210 - 2*margin

	textPt  = 9.5
	smallPt = 7.5
	line    = 4.6 // of text, in mm
)

// sheet is a document that is being written, from top to bottom.
type sheet struct {
	*fpdf.Fpdf
	faces   map[string]*sfnt.Font
	widths  map[int]bool // of the pictures so far, in pixels
	lacking bool         // something was shown as the sign for what is missing
}

// begin starts a document. Nothing in it depends on when it is written: at is the date that it bears.
func begin(title, foot string, at time.Time) (*sheet, error) {
	parsed, err := parsedFaces()
	if err != nil {
		return nil, err
	}
	s := &sheet{Fpdf: fpdf.New("P", "mm", "A4", ""), faces: parsed, widths: map[int]bool{}}
	s.SetCatalogSort(true)
	s.SetCreationDate(at.UTC())
	s.SetModificationDate(at.UTC())
	s.SetLang("en")
	s.SetTitle(title, true)
	s.SetCreator("Kerfgate", true)
	s.SetProducer("Kerfgate", true)
	for _, face := range []string{regular, bold, mono} {
		// The writer changes what it is given (numbers of parts of composite letters), so each document has its own.
		s.AddUTF8FontFromBytes(family(face), style(face), bytes.Clone(faces[face]))
	}
	s.SetMargins(margin, margin, margin)
	s.SetAutoPageBreak(true, margin+6)
	s.AliasNbPages("{pages}")
	s.SetFooterFunc(func() {
		s.SetXY(margin, -margin)
		s.face(regular, smallPt)
		s.CellFormat(width-25, 4, s.shown(regular, foot), "", 0, "L", false, 0, "")
		s.CellFormat(25, 4, fmt.Sprintf("%d of {pages}", s.PageNo()), "", 0, "R", false, 0, "")
	})
	s.AddPage()
	return s, s.Error()
}

// end writes the document.
func (s *sheet) end(w io.Writer) error { return s.Output(w) }

func family(face string) string {
	if face == mono {
		return "mono"
	}
	return "sans"
}

func style(face string) string {
	if face == bold {
		return "B"
	}
	return ""
}

func (s *sheet) face(face string, pt float64) { s.SetFont(family(face), style(face), pt) }

func (s *sheet) shown(face, text string) string {
	out := written(s.faces[face], text)
	s.lacking = s.lacking || bytes.ContainsRune([]byte(out), missing) && !bytes.ContainsRune([]byte(text), missing)
	return out
}

// text writes a paragraph in one face from the left margin on, indented by so many mm.
func (s *sheet) text(face string, pt, indent float64, text string) {
	if text == "" {
		return
	}
	s.face(face, pt)
	s.SetX(margin + indent)
	s.MultiCell(width-indent, line*pt/textPt, s.shown(face, text), "", "L", false)
}

func (s *sheet) heading(text string) {
	s.room(24)
	s.Ln(4)
	s.text(bold, 12.5, 0, text)
	s.SetLineWidth(0.2)
	s.Line(margin, s.GetY()+0.6, margin+width, s.GetY()+0.6)
	s.Ln(2)
}

func (s *sheet) under(text string) {
	s.room(14)
	s.Ln(1.5)
	s.text(bold, textPt, 0, text)
}

func (s *sheet) para(text string) { s.text(regular, textPt, 0, text); s.Ln(0.8) }

func (s *sheet) small(text string) { s.text(regular, smallPt, 4, text) }

// fact writes what something is called and what was said of it.
func (s *sheet) fact(name, said string) {
	if said == "" {
		return
	}
	s.room(2 * line)
	y := s.GetY()
	s.SetXY(margin, y)
	s.face(regular, smallPt)
	s.MultiCell(42, line, s.shown(regular, name), "", "L", false)
	after, page := s.GetY(), s.PageNo()
	s.SetXY(margin+44, y)
	s.face(regular, textPt)
	s.MultiCell(width-44, line, s.shown(regular, said), "", "L", false)
	if s.PageNo() == page && s.GetY() < after {
		s.SetY(after)
	}
}

// room begins a new page where less than so many mm are left on this one.
func (s *sheet) room(mm float64) {
	if _, height := s.GetPageSize(); s.GetY()+mm > height-margin-6 {
		s.AddPage()
	}
}

// picture puts a PNG or JPEG on the page, at most so high; what is no picture is said to be none.
func (s *sheet) picture(name, caption string, data []byte, most float64) {
	kind := "JPEG"
	if bytes.HasPrefix(data, []byte("\x89PNG")) {
		kind = "PNG"
	}
	shown, err := opened(data)
	if err == nil {
		data, err = s.apart(shown, data, kind)
	}
	if err != nil {
		s.para(caption + ": the picture that is kept cannot be read.")
		return
	}
	w, h := float64(shown.Bounds().Dx()), float64(shown.Bounds().Dy())
	wide, high := width, width*h/w
	if high > most {
		wide, high = most*w/h, most
	}
	s.room(high + 8)
	options := fpdf.ImageOptions{ImageType: kind}
	s.RegisterImageOptionsReader(name, options, bytes.NewReader(data))
	if s.Err() {
		return
	}
	s.ImageOptions(name, margin, s.GetY(), wide, high, true, options, 0, "")
	s.Ln(1)
	s.small(caption)
}

// apart makes a picture a little wider than those before it that are as wide: the PDF writer puts pictures in order
// of their width, and two of one width in any order.
func (s *sheet) apart(picture image.Image, data []byte, kind string) (apart []byte, err error) {
	wide := picture.Bounds().Dx()
	for s.widths[wide] {
		wide++
	}
	if more := wide - picture.Bounds().Dx(); more > 0 {
		data, err = widened(picture, more, kind)
	}
	s.widths[wide] = true
	return data, err
}

// code draws a QR code with its margin, so many mm wide, with its upper left corner there; nothing where the
// text is too long for one.
func (s *sheet) code(text string, x, y, wide float64) bool {
	c, err := qr.Of(text)
	if err != nil {
		return false
	}
	unit := wide / float64(c.Side)
	s.SetFillColor(0, 0, 0)
	c.Rows(func(cx, cy, w int) { s.Rect(x+float64(cx)*unit, y+float64(cy)*unit, float64(w)*unit, unit, "F") })
	return true
}
