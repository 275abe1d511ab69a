package settingsgrid

import (
	"bytes"
	"fmt"

	"kerfgate/plan/geom"
)

// SVG is the grid as a drawing: each cell a layer of its own, and the labels, in the order in which they are
// worked.
func (g Grid) SVG() []byte {
	var b bytes.Buffer
	size := g.extents()
	w, h := size.Max.X, size.Max.Y
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%[1]smm" height="%[2]smm" viewBox="0 0 %[1]s %[2]s" fill="none" stroke="#000000">`+"\n",
		thousandths(w), thousandths(h))
	g.groups(func(cell int) {
		id, lines := "labels", g.labelLines()
		if cell >= 0 {
			c := g.Cells[cell]
			id, lines = fmt.Sprintf("%s mm/s %s %%", thousandths(c.Setting.SpeedUMPerS), tenths(c.Setting.PowerPermille)), g.lines(cell)
		}
		fmt.Fprintf(&b, `<g id="%s">`+"\n", id)
		for _, line := range lines {
			b.WriteString(`<path d="`)
			closed := line[0] == line[len(line)-1]
			for i, q := range line {
				switch {
				case i == 0:
					b.WriteString("M")
				case closed && i == len(line)-1:
					b.WriteString("z")
					continue
				default:
					b.WriteString("L")
				}
				fmt.Fprintf(&b, "%s %s", thousandths(q.X), thousandths(h-q.Y))
			}
			b.WriteString(`"/>` + "\n")
		}
		b.WriteString("</g>\n")
	})
	b.WriteString("</svg>\n")
	return b.Bytes()
}

// extents are around everything that is drawn, from the lower left corner of the label strips.
func (g Grid) extents() geom.Box {
	var b geom.Box
	for _, c := range g.Cells {
		b = b.Union(c.Box)
	}
	return b
}
