// Package lettering writes short labels as strokes that any tool can follow: capitals, digits and a few
// signs on a grid of four by six, of our own drawing.
package lettering

import (
	"strings"

	"kerfgate/plan/geom"
)

// A glyph's grid: columns 0 to 4, rows 0 to 6 from the base line up; the next glyph begins six columns on.
const (
	columns = 4
	rows    = 6
	advance = 6
)

// glyphs are lines of a glyph: points as two digits, column and row, lines apart by a space.
var glyphs = map[rune]string{
	'0': "1030414536160501", '1': "052620 1040", '2': "051636454300 0040", '3': "05163645443344413010 0110",
	'4': "36024230 3036", '5': "461603134341301001", '6': "4536160501103041423313", '7': "064610",
	'8': "1333444536160504 13020110 10304142 4233", '9': "0110304145361605041333",
	'A': "002640 1232", 'B': "000636453413 0333424130 3000", 'C': "4536160501103041", 'D': "0006264442402000",
	'E': "46060040 0333", 'F': "460600 0333", 'G': "45361605011030414323", 'H': "0006 4046 0343", 'I': "2026",
	'J': "46413010 0110", 'K': "0006 460340", 'L': "060040", 'M': "0006234640", 'N': "00064046",
	'P': "00063645443303", 'R': "00063645443303 2340", 'S': "453616050413334241301001", 'T': "0646 2026",
	'U': "0601103041 4146", 'V': "062046", 'W': "06102330 3046", 'X': "0046 0640", 'Y': "062346 2320", 'Z': "06460040",
	'%': "0046 0616 1615 1505 0506 3040 4041 4131 3130", '.': "2021", '-': "1333", '/': "0046", '=': "0242 0444",
}

// WidthUM is how wide a text of the given height comes out.
func WidthUM(text string, heightUM int64) int64 {
	n := int64(len([]rune(text)))
	if n == 0 {
		return 0
	}
	return (n*advance - (advance - columns)) * heightUM / rows
}

// Knows says whether every letter of a text can be written.
func Knows(text string) bool {
	return strings.IndexFunc(text, func(r rune) bool { return r != ' ' && glyphs[r] == "" }) < 0
}

// Lines are the strokes of a text whose lower left corner lies at a place, in the order in which they
// are written. What cannot be written is left blank.
func Lines(text string, at geom.Point, heightUM int64) [][]geom.Point {
	var out [][]geom.Point
	for i, r := range []rune(text) {
		left := int64(i) * advance
		for _, line := range strings.Fields(glyphs[r]) {
			points := make([]geom.Point, 0, len(line)/2)
			for k := 0; k+1 < len(line); k += 2 {
				x, y := left+int64(line[k]-'0'), int64(line[k+1]-'0')
				points = append(points, at.Add(geom.Pt(x*heightUM/rows, y*heightUM/rows)))
			}
			out = append(out, points)
		}
	}
	return out
}
