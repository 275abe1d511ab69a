package plan

import (
	"slices"

	"kerfgate/plan/contour"
	"kerfgate/plan/engrave"
	"kerfgate/plan/geom"
)

// task is one thing that is done without anything else between: a line, or the rows of an area or a
// picture.
type task struct {
	op     Operation
	group  int
	closed bool         // points end where they begin
	points []geom.Point // of a line
	line   int          // its index among the lines; −1 for rows
	rows   []engrave.Row
	pitch  int64 // of rows
}

// tasks are the lines, each by itself, and then the rows.
func tasks(lines []contour.Line, rows []task) []task {
	all := make([]task, 0, len(lines)+len(rows))
	for i, l := range lines {
		all = append(all, task{op: Operation(l.Op), group: l.Group, closed: l.Closed, points: l.Points, line: i})
	}
	return append(all, rows...)
}

// shifted are rows moved by d.
func shifted(rows []engrave.Row, d geom.Point) []engrave.Row {
	out := make([]engrave.Row, len(rows))
	for i, r := range rows {
		out[i] = engrave.Row{Points: movedBy(r.Points, d), On: r.On}
	}
	return out
}

func movedBy(points []geom.Point, d geom.Point) []geom.Point {
	out := make([]geom.Point, len(points))
	for i, p := range points {
		out[i] = p.Add(d)
	}
	return out
}

// ends are where the task begins and where it leaves the carriage.
func (t task) ends() (first, last geom.Point) {
	if len(t.rows) == 0 {
		return t.points[0], t.points[len(t.points)-1]
	}
	r := t.rows[len(t.rows)-1].Points
	return t.rows[0].Points[0], r[len(r)-1]
}

// backwards is the task done from its end.
func (t task) backwards() task {
	t.points = turnedRound(t.points)
	rows := make([]engrave.Row, len(t.rows))
	for i, r := range t.rows {
		rows[len(rows)-1-i] = engrave.Row{Points: turnedRound(r.Points), On: mirrored(r.On, geom.Length(r.Points))}
	}
	t.rows = rows
	return t
}

func turnedRound(points []geom.Point) []geom.Point {
	out := slices.Clone(points)
	slices.Reverse(out)
	return out
}

// mirrored are the spans of a line of the given length as they lie seen from its end.
func mirrored(on []geom.Span, length int64) []geom.Span {
	if len(on) == 0 {
		return nil
	}
	out := make([]geom.Span, len(on))
	for i, s := range on {
		out[len(on)-1-i] = geom.Span{From: max(0, length-s.To), To: max(0, length-s.From)}
	}
	return out
}
