package plan

import (
	"bytes"
	"strings"
	"unicode/utf8"
)

// Format is how a drawing's file is written.
type Format string

// The formats that are read.
const (
	SVG    Format = "SVG"
	DXF    Format = "DXF"
	Raster Format = "picture" // PNG or JPEG
)

// handInNext is what to do about a file that is no drawing at all.
const handInNext = "hand in an SVG, a DXF in text form, a PNG or a JPEG"

// foreign are files that are met in place of drawings, by their first bytes.
var foreign = []struct{ begins, what, next string }{
	{"%PDF-", "the file is a PDF", "save the drawing as SVG or DXF"},
	{"%!PS", "the file is PostScript", "save the drawing as SVG or DXF"},
	{"PK\x03\x04", "the file is a ZIP archive, or a document that is one inside", "unpack it and hand in the drawing itself"},
	{"\x1f\x8b", "the file is compressed with gzip", "uncompress it, or save the drawing as plain SVG"},
	{"Rar!", "the file is an archive", "unpack it and hand in the drawing itself"},
	{"7z\xbc\xaf", "the file is an archive", "unpack it and hand in the drawing itself"},
	{"AC10", "the file is a drawing in a binary form that is not read", "save it as DXF in text form"},
	{"GIF8", "the file is a GIF picture", "save it as PNG"},
	{"BM", "the file is a BMP picture", "save it as PNG"},
	{"RIFF", "the file is a picture, sound or film in a RIFF file", "save a picture as PNG"},
	{"II*\x00", "the file is a TIFF picture", "save it as PNG"},
	{"MM\x00*", "the file is a TIFF picture", "save it as PNG"},
	{"\x7fELF", "the file is a program", handInNext},
	{"MZ", "the file is a program", handInNext},
}

// FormatOf says by its content how a drawing's file is written; its name plays no part. ok is false,
// and the reason says why, where it is none of the formats.
func FormatOf(data []byte) (f Format, reason Reason, ok bool) {
	no := func(what, next string) (Format, Reason, bool) {
		return "", Reason{What: what, Next: next, Field: "drawing"}, false
	}
	head := data[:min(len(data), 4096)]
	text := bytes.TrimPrefix(head, []byte("\xef\xbb\xbf"))
	text = bytes.TrimLeft(text, " \t\r\n")
	switch {
	case len(bytes.TrimSpace(data)) == 0:
		return no("the drawing is empty", handInNext)
	case bytes.HasPrefix(head, []byte("\x89PNG")), bytes.HasPrefix(head, []byte("\xff\xd8\xff")):
		return Raster, Reason{}, true
	case bytes.HasPrefix(text, []byte("<")):
		return SVG, Reason{}, true
	case bytes.Contains(head[:min(len(head), 64)], []byte("Binary DXF\r\n\x1a")):
		return DXF, Reason{}, true // its reader says what to do
	case isTagged(text):
		return DXF, Reason{}, true
	}
	for _, f := range foreign {
		if bytes.HasPrefix(head, []byte(f.begins)) {
			return no(f.what, f.next)
		}
	}
	switch {
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")):
		return no("the file is text in UTF-16, which is not read", "save the drawing again in UTF-8")
	case bytes.IndexByte(head, 0) >= 0:
		return no("the file is binary and of no kind that is read", handInNext)
	}
	return no("the file is text, but neither XML nor DXF", handInNext)
}

// isTagged says whether text begins as a DXF does: a group code on a line of its own, and its value
// on the next; the first that is no comment (999) opens a section.
func isTagged(text []byte) bool {
	if !utf8.Valid(text[:min(len(text), 16)]) {
		return false
	}
	lines := strings.SplitN(strings.ReplaceAll(string(text), "\r\n", "\n"), "\n", 200)
	for i := 0; i+1 < len(lines); i += 2 {
		switch code, value := strings.TrimSpace(lines[i]), strings.TrimSpace(lines[i+1]); {
		case code == "999":
		case code == "0":
			return value == "SECTION" || value == "EOF"
		default:
			return false
		}
	}
	return false
}
