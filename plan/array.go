package plan

import (
	"fmt"

	"kerfgate/plan/contour"
	"kerfgate/plan/geom"
)

// offsets are where the copies of an array lie, from the one at the lower left, row by row. box is
// the drawing's.
func (a Array) offsets(box geom.Box) []geom.Point {
	out := make([]geom.Point, 0, a.Count())
	for row := range max(1, a.Rows) {
		for column := range max(1, a.Columns) {
			out = append(out, geom.Pt(column*(box.Width()+a.GapUM), row*(box.Height()+a.GapUM)))
		}
	}
	return out
}

// repeated are the lines once for each offset.
func repeated(lines []contour.Line, offsets []geom.Point) []contour.Line {
	if len(offsets) == 1 {
		return lines
	}
	out := make([]contour.Line, 0, len(lines)*len(offsets))
	for _, d := range offsets {
		for _, l := range lines {
			l.Points = movedBy(l.Points, d)
			out = append(out, l)
		}
	}
	return out
}

// arrange finds the offsets, and refuses an array that no plan could hold before any copy is made.
func (m *maker) arrange(box geom.Box, points int) []geom.Point {
	a := m.req.Choices.Array
	if int64(points)*a.Count() > mostLinePoints {
		m.refuse(Reason{What: "the plan has too many points", Next: "take fewer rows and columns", Field: "choices.array",
			Limit: fmt.Sprint(mostLinePoints), Value: fmt.Sprint(int64(points) * a.Count())})
		return nil
	}
	if a.Count() > 1 {
		s := m.req.Stock
		whole := geom.Pt(max(1, a.Columns)*(box.Width()+a.GapUM)-a.GapUM, max(1, a.Rows)*(box.Height()+a.GapUM)-a.GapUM)
		if whole.X > s.SheetWidthUM || whole.Y > s.SheetHeightUM {
			m.refuse(Reason{What: "the rows and columns are larger than the sheet", Next: "take fewer of them, or a smaller gap", Field: "choices.array",
				Limit: sizeText(s.SheetWidthUM, s.SheetHeightUM), Value: sizeText(whole.X, whole.Y)})
			return nil
		}
	}
	return a.offsets(box)
}

func sizeText(width, height int64) string { return mm(width) + " × " + mm(height) + " mm" }
