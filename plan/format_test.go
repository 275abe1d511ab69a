package plan_test

import (
	"testing"

	"kerfgate/plan"
)

// TestFormatOf: by content, whatever the file is called. The signatures are those of the formats' own
// standards (PNG: ISO/IEC 15948; JPEG: ITU-T T.81; PDF: ISO 32000; ZIP and gzip: APPNOTE, RFC 1952).
func TestFormatOf(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		data string
		want plan.Format
		what string
	}{
		{"<svg/>", plan.SVG, ""},
		{"\xef\xbb\xbf \n<?xml version=\"1.0\"?><svg/>", plan.SVG, ""},
		{"<html/>", plan.SVG, ""}, // its reader refuses it by name
		{"  0\r\nSECTION\r\n  2\r\nHEADER\r\n", plan.DXF, ""},
		{"999\nmade by hand\n0\nSECTION\n2\nENTITIES\n", plan.DXF, ""},
		{"\x89PNG\r\n\x1a\n", plan.Raster, ""},
		{"\xff\xd8\xff\xe0", plan.Raster, ""},
		{"", "", "the drawing is empty"},
		{" \n\t", "", "the drawing is empty"},
		{"%PDF-1.7", "", "the file is a PDF"},
		{"PK\x03\x04rest", "", "the file is a ZIP archive, or a document that is one inside"},
		{"\x1f\x8b\x08", "", "the file is compressed with gzip"},
		{"GIF89a", "", "the file is a GIF picture"},
		{"\x00\x01\x02", "", "the file is binary and of no kind that is read"},
		{"\xff\xfe<\x00s\x00", "", "the file is text in UTF-16, which is not read"},
		{"G21\nG90\nG0 X0", "", "the file is text, but neither XML nor DXF"},
		{"0\n0\n0\n", "", "the file is text, but neither XML nor DXF"},
		{"Dear garden,", "", "the file is text, but neither XML nor DXF"},
	} {
		got, reason, ok := plan.FormatOf([]byte(tc.data))
		if got != tc.want || reason.What != tc.what || ok != (tc.what == "") {
			t.Errorf("%.20q: %q, %+v", tc.data, got, reason)
		}
		if !ok && (reason.Next == "" || reason.Field != "drawing") {
			t.Errorf("%.20q: %+v", tc.data, reason)
		}
	}
}
