package dxf

import "fmt"

// Colours tell groups of lines apart and mean nothing else.

// Numbers of group 62 that are no colour of their own.
const (
	byBlock    = 0
	byLayer    = 256
	foreground = 7
)

// indexColours is the published table of the 255 numbered colours as #rrggbb. Number 7 is the
// foreground, white on a dark screen and black on paper; a page is paper.
var indexColours = makeIndexColours()

// makeIndexColours follows the table's rule: 24 hues of 15° from red (10) to 240, each in five values
// (in tenths), of which the odd numbers are half as saturated. Fractions are cut off.
func makeIndexColours() (table [256]string) {
	hex := func(r, g, b int) string { return fmt.Sprintf("#%02x%02x%02x", r, g, b) }
	table[1], table[2], table[3] = hex(255, 0, 0), hex(255, 255, 0), hex(0, 255, 0)
	table[4], table[5], table[6] = hex(0, 255, 255), hex(0, 0, 255), hex(255, 0, 255)
	table[7], table[8], table[9] = hex(0, 0, 0), hex(128, 128, 128), hex(192, 192, 192)
	for hue := range 24 {
		for step, tenths := range [5]int{10, 8, 6, 5, 3} {
			for pale := range 2 {
				channel := func(own int) int {
					away := (hue - own + 24) % 24
					away = min(away, 24-away)      // steps of 15° from the channel's own hue
					drop := min(max(away-4, 0), 4) // quarters: full within 60°, none beyond 120°
					part := 8 - drop*(2-pale)      // eighths
					return 255 * tenths * part / (10 * 8)
				}
				table[10+hue*10+step*2+pale] = hex(channel(0), channel(8), channel(16))
			}
		}
	}
	for i, grey := range [6]int{51, 91, 132, 173, 214, 255} {
		table[250+i] = hex(grey, grey, grey)
	}
	return table
}

// paint is a colour as an entity or a layer gives it.
type paint struct {
	index int // group 62
	whole int // group 420: 0xRRGGBB; -1 is none
}

func (p paint) fixed() (colour string, ok bool) {
	if p.whole >= 0 {
		return fmt.Sprintf("#%06x", p.whole&0xffffff), true
	}
	if p.index > 0 && p.index < len(indexColours) {
		return indexColours[p.index], true
	}
	return "", false
}

// over gives the colour as #rrggbb on a layer and inside an insert of the given colours.
func (p paint) over(layer, insert string) string {
	if c, ok := p.fixed(); ok {
		return c
	}
	if p.index == byBlock {
		return insert
	}
	return layer
}
