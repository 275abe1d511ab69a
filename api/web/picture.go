package web

import (
	"fmt"
	"html"
	"html/template"
	"strings"

	"kerfgate/plan"
	"kerfgate/plan/geom"
)

// maxPicturePoints bounds a picture's size in a page; a plan with more is thinned, never cut off.
const maxPicturePoints = 6000

// Picture is a plan on its sheet, drawn to scale.
type Picture struct {
	ID     string // unique in the page; names the hatch
	Plan   *plan.Plan
	Origin *geom.Point // where the plan's origin lies on the bed; nil while it is not placed
	// Bed, if given, is drawn to scale: how far the carriage may be sent.
	Bed *geom.Box
}

// PlanSVG draws what will be done: each operation with its own line, travel thin and dotted,
// drop-outs hatched, sheet edge and bed to scale. Millimetres, y away from the operator.
func PlanSVG(p Picture) template.HTML {
	if p.Plan == nil {
		return ""
	}
	sheet := geom.Box{Max: p.Plan.SheetSize}
	if sheet.Max.X <= 0 || sheet.Max.Y <= 0 {
		sheet = p.Plan.Extents
	}
	view := sheet.Union(p.Plan.Extents)
	var bed geom.Box
	if p.Bed != nil && p.Origin != nil {
		bed = p.Bed.Move(geom.Pt(-p.Origin.X, -p.Origin.Y))
		view = view.Union(bed)
	}
	if view.Width() <= 0 || view.Height() <= 0 {
		return ""
	}
	margin := max(view.Width(), view.Height()) / 50
	view = geom.Box{Min: view.Min.Sub(geom.Pt(margin, margin)), Max: view.Max.Add(geom.Pt(margin, margin))}
	d := drafter{left: view.Min.X, top: view.Max.Y}
	// Line widths are in millimetres of the picture, so that small and large sheets look alike.
	w := float64(max(view.Width(), view.Height())) / 1000 / 100

	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="plan" viewBox="0 0 %s %s" role="img" aria-label="%s">`,
		decimal(view.Width()), decimal(view.Height()), html.EscapeString(pictureWords(p.Plan)))
	fmt.Fprintf(&b, `<defs><pattern id="%s-hatch" width="%.2f" height="%.2f" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0V%.2f" stroke="currentColor" stroke-width="%.2f" opacity="0.55"/></pattern></defs>`,
		html.EscapeString(p.ID), 2*w, 2*w, 2*w, 0.5*w)
	if p.Bed != nil && p.Origin != nil {
		fmt.Fprintf(&b, `<path class="bed" d="%s" fill="none" stroke="currentColor" stroke-width="%.3f" stroke-dasharray="%.2f %.2f"/>`,
			d.box(bed), 0.5*w, 0.5*w, 1.5*w)
	}
	fmt.Fprintf(&b, `<path class="sheet" d="%s" stroke="currentColor" stroke-width="%.3f"/>`, d.box(sheet), 0.35*w)

	total := 0
	for _, s := range p.Plan.Strokes {
		total += len(s.Points)
	}
	every := 1
	if total > maxPicturePoints {
		every = (total + maxPicturePoints - 1) / maxPicturePoints
	}
	dropout := map[int64]bool{}
	for _, piece := range p.Plan.Pieces {
		dropout[piece.Number] = piece.Dropout
	}
	paths := map[plan.Operation]*strings.Builder{}
	for _, op := range []plan.Operation{plan.Engrave, plan.Mark, plan.Draw, plan.Cut} {
		paths[op] = &strings.Builder{}
	}
	var travel, hatch strings.Builder
	last := geom.Pt(0, 0)
	for _, s := range p.Plan.Strokes {
		if len(s.Points) == 0 {
			continue
		}
		path := d.line(s.Points, every, s.Closed)
		if out := paths[s.Operation]; out != nil {
			out.WriteString(path)
		}
		if s.Closed && s.Piece != 0 && dropout[s.Piece] {
			hatch.WriteString(path)
		}
		// Every travel of a plan with very many strokes would be as long as the plan itself.
		if len(p.Plan.Strokes) <= maxPicturePoints/2 {
			travel.WriteString(d.line([]geom.Point{last, s.Points[0]}, 1, false))
		}
		last = s.Points[len(s.Points)-1]
	}
	if hatch.Len() > 0 {
		fmt.Fprintf(&b, `<path d="%s" fill="url(#%s-hatch)" stroke="none"/>`, hatch.String(), html.EscapeString(p.ID))
	}
	if travel.Len() > 0 {
		fmt.Fprintf(&b, `<path class="travel" d="%s" fill="none" stroke="currentColor" stroke-width="%.3f" stroke-dasharray="%.2f %.2f" opacity="0.7"/>`,
			travel.String(), 0.2*w, 0.25*w, 0.9*w)
	}
	for _, style := range []struct {
		op    plan.Operation
		width float64
		dash  string
	}{
		{plan.Engrave, 0.3 * w, ""},
		{plan.Mark, 0.45 * w, fmt.Sprintf(` stroke-dasharray="%.2f %.2f"`, 1.6*w, 0.9*w)},
		{plan.Draw, 0.45 * w, ""},
		{plan.Cut, 0.85 * w, ""},
	} {
		if path := paths[style.op]; path.Len() > 0 {
			fmt.Fprintf(&b, `<path class="%s" d="%s" fill="none" stroke="currentColor" stroke-width="%.3f"%s stroke-linejoin="round"/>`,
				style.op, path.String(), style.width, style.dash)
		}
	}
	x, y := d.xy(geom.Pt(0, 0))
	fmt.Fprintf(&b, `<circle class="origin" cx="%s" cy="%s" r="%.2f" fill="currentColor"/>`, x, y, 1.3*w)
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

func pictureWords(p *plan.Plan) string {
	return fmt.Sprintf("plan, %s on a sheet of %s, %s",
		Size(p.Extents.Width(), p.Extents.Height()), Size(p.SheetSize.X, p.SheetSize.Y), PieceWords(p))
}

// PieceWords counts what comes loose: "1 piece, 2 drop-outs".
func PieceWords(p *plan.Plan) string {
	pieces, drops := 0, 0
	for _, piece := range p.Pieces {
		if piece.Dropout {
			drops++
		} else {
			pieces++
		}
	}
	if pieces+drops == 0 {
		return "nothing comes loose"
	}
	text := Count(pieces, "piece", "pieces")
	if drops > 0 {
		text += ", " + Count(drops, "drop-out", "drop-outs")
	}
	return text
}

// drafter turns plan coordinates (y up) into picture coordinates (y down) in millimetres.
type drafter struct{ left, top int64 }

func (d drafter) xy(p geom.Point) (string, string) {
	return decimal(p.X - d.left), decimal(d.top - p.Y)
}

func (d drafter) line(points []geom.Point, every int, closed bool) string {
	var b strings.Builder
	for i, p := range points {
		if i != 0 && i != len(points)-1 && i%every != 0 {
			continue
		}
		if i == 0 {
			b.WriteByte('M')
		} else {
			b.WriteByte('L')
		}
		x, y := d.xy(p)
		b.WriteString(x)
		b.WriteByte(' ')
		b.WriteString(y)
	}
	if closed {
		b.WriteByte('z')
	}
	return b.String()
}

func (d drafter) box(box geom.Box) string {
	return d.line([]geom.Point{box.Min, geom.Pt(box.Max.X, box.Min.Y), box.Max, geom.Pt(box.Min.X, box.Max.Y)}, 1, true)
}

// decimal writes micrometres as millimetres with two decimals at most, as SVG reads them.
func decimal(um int64) string {
	text := strings.TrimRight(fmt.Sprintf("%.2f", float64(um)/1000), "0")
	return strings.TrimSuffix(text, ".")
}
