package web

import (
	"fmt"
	"html/template"
	"strings"

	"kerfgate/plan/geom"
)

// PlacingView is what the station asks and shows while a sheet is placed.
type PlacingView struct {
	Run       string
	Bed       template.HTML
	Beam      bool // the machine has a beam: its supply is asked for
	SupplyOff bool
	Tools     []string // more than one: which hangs on the carriage is asked
	Tool      string   // the one that the plan is for
	Fitted    string
	Axes      []string // how each axis finds its place
	OnMark    []string // axes that a person carries to their mark first: "y to 40 mm"
	Homed     bool
	Corners   []string
	Trace     string // how long the outline takes
	Traced    bool
	FocusAsk  bool
	FocusWant string // "53 ± 0.5 mm: 3 mm of sheet and 50 mm of focal distance"
	Focus     string // mm, as set
	Words     string // of the whole placing, as the sign-off shows it
	Left      []Reason
}

// Whole says that nothing of the placing is left to do.
func (v *PlacingView) Whole() bool { return len(v.Left) == 0 }

// Bed is what lies on a machine's bed, in machine coordinates.
type Bed struct {
	Stops, Travel geom.Box
	Sheet         geom.Point   // its size
	Origin        *geom.Point  // nil: not placed
	Outline       []geom.Point // around the plan, from the origin
	Traced        bool         // around this origin
}

// BedSVG draws a bed to scale, the near side below: hard stops, where the carriage may go, the sheet, the
// plan's outline and a cross for the carriage, which the page moves. One unit is a millimetre.
func BedSVG(b Bed) template.HTML {
	const margin = 6
	all := b.Stops.Union(b.Travel)
	x, y := mmOf(all.Min.X)-margin, -mmOf(all.Max.Y)-margin
	w, h := mmOf(all.Width())+2*margin, mmOf(all.Height())+2*margin
	var s strings.Builder
	fmt.Fprintf(&s, `<svg class="bed" id="bed" viewBox="%g %g %g %g" role="img" aria-label="%s">`, x, y, w, h, template.HTMLEscapeString(b.words()))
	rect := func(class string, r geom.Box) {
		fmt.Fprintf(&s, `<rect class="%s" x="%g" y="%g" width="%g" height="%g"/>`, class, mmOf(r.Min.X), -mmOf(r.Max.Y), mmOf(r.Width()), mmOf(r.Height()))
	}
	rect("bed-stops", b.Stops)
	rect("bed-travel", b.Travel)
	if b.Origin != nil {
		rect("bed-sheet", geom.Box{Min: *b.Origin, Max: b.Origin.Add(b.Sheet)})
		var around strings.Builder
		for i, corner := range b.Outline {
			at := corner.Add(*b.Origin)
			fmt.Fprintf(&around, "%s%g %g", [2]string{"M", "L"}[min(i, 1)], mmOf(at.X), -mmOf(at.Y))
		}
		class := "bed-outline"
		if b.Traced {
			class += " traced"
		}
		fmt.Fprintf(&s, `<path class="%s" d="%sZ"/>`, class, around.String())
		fmt.Fprintf(&s, `<circle class="bed-origin" cx="%g" cy="%g" r="%g"/>`, mmOf(b.Origin.X), -mmOf(b.Origin.Y), w/90)
	}
	arm := w / 22
	fmt.Fprintf(&s, `<g id="carriage" class="bed-carriage" visibility="hidden"><circle r="%g"/><path d="M%g 0H%gM0 %gV%g"/></g></svg>`, arm/2, -arm, arm, -arm, arm)
	return template.HTML(s.String())
}

func mmOf(um int64) float64 { return float64(um) / 1000 }

func (b Bed) words() string {
	text := "The bed to scale, " + Size(b.Travel.Width(), b.Travel.Height()) + " within its hard stops"
	if b.Origin == nil {
		return text + "; no sheet is placed yet"
	}
	traced := "is not traced"
	if b.Traced {
		traced = "was traced"
	}
	return text + fmt.Sprintf("; the sheet of %s with its near left corner at x %s, y %s mm; the outline %s", Size(b.Sheet.X, b.Sheet.Y), Millimetres(b.Origin.X), Millimetres(b.Origin.Y), traced)
}
