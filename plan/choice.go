package plan

import (
	"fmt"
	"maps"
	"slices"
	"strconv"

	"kerfgate/plan/engrave"
)

// Choices are what a person may ask of a plan besides its operations. The zero value of every field
// is what most drawings want.
type Choices struct {
	// UnitUM is what one unit of a drawing stands for that does not say so itself.
	UnitUM int64 `json:"unit_um,omitempty"`
	// PictureWidthUM is how wide a drawing that is a picture comes out; 0 = as the picture says.
	PictureWidthUM int64 `json:"picture_width_um,omitempty"`
	// Halftones say how the greys of a group's pictures become dots; a group that is missing gets
	// diffusion.
	Halftones map[string]engrave.Halftone `json:"halftones,omitempty"`
	// LinePitchUM is how far apart the lines of engraved areas and pictures lie; 0 = the width of the tool's
	// line.
	LinePitchUM int64 `json:"line_pitch_um,omitempty"`
	// NoKerf leaves cut lines where they are drawn; otherwise they go half a kerf into the waste.
	NoKerf bool `json:"no_kerf,omitempty"`
	Tabs   Tabs `json:"tabs"`
	// RunInUM is how far beside a closed cut, in its waste, the beam begins.
	RunInUM int64 `json:"run_in_um,omitempty"`
	// OverlapUM is how far a closed cut goes on past its beginning.
	OverlapUM int64 `json:"overlap_um,omitempty"`
	// LeastBridgeUM is the narrowest bridge between two cuts that is passed without a warning; 0 =
	// what the planner takes for the thickness.
	LeastBridgeUM int64 `json:"least_bridge_um,omitempty"`
	Array         Array `json:"array"`
	// JoinUM is how far two open ends may lie apart and still be one point; 0 = 10 µm.
	JoinUM int64 `json:"join_um,omitempty"`
	// Effort is how often for each line the planner tries to find a shorter way between lines; 0 =
	// 10, NoEffort = never: the first good order is taken. Seed is where its random numbers begin.
	Effort int64 `json:"effort,omitempty"`
	Seed   int64 `json:"seed,omitempty"`
	// SpreadPermille is how much longer, in thousandths, the way with the tool off may become so that
	// neighbours are not cut one right after the other.
	SpreadPermille int64 `json:"spread_permille,omitempty"`
	// AsDrawn leaves lines as they are drawn, in their order and direction: nothing is joined, sorted or
	// moved for the kerf. It is for patterns that test the machine.
	AsDrawn bool `json:"as_drawn,omitempty"`
	// Uncorrected tells the machine the lines without making up for its geometry, so that each runs along
	// one axis alone: for the pattern that finds out about it.
	Uncorrected bool `json:"uncorrected,omitempty"`
	// Trial gives the drawing's groups settings of their own, which nothing has proven; see Trial.
	Trial Trial `json:"trial,omitempty"`
}

// Tabs are short parts of each piece's outline that are left standing, so that it does not fall.
// Count or SpacingUM says how many; neither means none.
type Tabs struct {
	Count     int64 `json:"count,omitempty"`      // on each outline
	SpacingUM int64 `json:"spacing_um,omitempty"` // from tab to tab, at most
	WidthUM   int64 `json:"width_um,omitempty"`   // left standing; 0 = DefaultTabUM
}

// NoEffort is the effort of a plan that is wanted at once.
const NoEffort = -1

// DefaultTabUM is the width of a tab that names none: own choice, to be judged on a test piece.
const DefaultTabUM = 500

// Array repeats the drawing in rows and columns on one sheet: more pieces of one plan. Zero columns
// or rows are one.
type Array struct {
	Columns int64 `json:"columns,omitempty"`
	Rows    int64 `json:"rows,omitempty"`
	// GapUM is between the extents of neighbours.
	GapUM int64 `json:"gap_um,omitempty"`
}

// Count is how many of the drawing the plan holds.
func (a Array) Count() int64 { return max(1, a.Columns) * max(1, a.Rows) }

// bound is what a choice may be; 0 always means that nothing was chosen.
type bound struct {
	field, what string
	value       int64
	least, most int64
	length      bool // in µm; told in mm
}

func (b bound) text(v int64) string {
	if b.length {
		return mm(v) + " mm"
	}
	return strconv.FormatInt(v, 10)
}

// reasons says what of the choices is out of range or contradicts itself.
func (c Choices) reasons() []Reason {
	var out []Reason
	for _, b := range []bound{
		{"unit", "the drawing's unit", c.UnitUM, 1, 1_000_000, true},
		{"picture_width", "the picture's width", c.PictureWidthUM, 1_000, 3_000_000, true},
		{"line_pitch", "the line pitch", c.LinePitchUM, engrave.LeastPitchUM, engrave.MostPitchUM, true},
		{"tabs.count", "the number of tabs", c.Tabs.Count, 1, 100, false},
		{"tabs.spacing", "the distance between tabs", c.Tabs.SpacingUM, 2_000, 3_000_000, true},
		{"tabs.width", "a tab's width", c.Tabs.WidthUM, 50, 10_000, true},
		{"run_in", "the run-in", c.RunInUM, 50, 10_000, true},
		{"overlap", "the closing overlap", c.OverlapUM, 50, 10_000, true},
		{"least_bridge", "the least bridge", c.LeastBridgeUM, 50, 20_000, true},
		{"array.columns", "the number of columns", c.Array.Columns, 1, 200, false},
		{"array.rows", "the number of rows", c.Array.Rows, 1, 200, false},
		{"array.gap", "the gap between rows and columns", c.Array.GapUM, 100, 500_000, true},
		{"join", "the distance within which ends are joined", c.JoinUM, 1, 1_000, true},
		{"effort", "the effort", c.Effort, NoEffort, 100, false},
		{"seed", "the seed", c.Seed, 1, 1 << 53, false},
		{"spread_permille", "the spreading of heat", c.SpreadPermille, 1, 1_000, false},
	} {
		if b.value != 0 && (b.value < b.least || b.value > b.most) {
			out = append(out, Reason{What: b.what + " is out of range", Next: "choose a value within the limits, or leave it out",
				Field: "choices." + b.field, Limit: b.text(b.least) + " to " + b.text(b.most), Value: b.text(b.value)})
		}
	}
	if c.Tabs.Count != 0 && c.Tabs.SpacingUM != 0 {
		out = append(out, Reason{What: "tabs are asked for by number and by distance", Next: "choose one of the two",
			Field: "choices.tabs", Limit: "one of the two", Value: fmt.Sprintf("%d, and every %s mm", c.Tabs.Count, mm(c.Tabs.SpacingUM))})
	}
	if c.Array.Count() > 1 && c.Array.GapUM == 0 {
		out = append(out, Reason{What: "rows and columns without a gap would cut shared edges twice", Next: "choose a gap, a few millimetres for a beam",
			Field: "choices.array.gap", Limit: "0.1 mm or more", Value: "0"})
	}
	for _, g := range slices.Sorted(maps.Keys(c.Halftones)) {
		switch h := c.Halftones[g]; h {
		case engrave.Threshold, engrave.Ordered, engrave.Diffusion:
		default:
			out = append(out, Reason{What: fmt.Sprintf("the halftone %.40q is not known", string(h)), Next: "choose threshold, ordered or diffusion",
				Field: "choices.halftones." + g, Value: string(h)})
		}
	}
	return out
}
