// Package plan turns a drawing into the machine-ready result for one sheet on one machine.
//
// It is a pure function: drawing bytes + operations + settings + stock + profile → plan. No clock,
// no input or output, no randomness without a seed. The stages are: read (package drawing) →
// shapes in mm → clean → rows and columns → contours and pieces → kerf → order → tabs and run-in →
// motion → numbers and warnings. Everything
// after flattening is whole micrometres, so the same input gives the same bytes on every target.
package plan

import (
	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Version names this planner; it stands in every plan, and the same version makes the same bytes.
const Version = "kerfgate plan 8"

// Operation is what is done along or inside a shape.
type Operation string

// The four operations, in the order in which they run.
const (
	Engrave Operation = "engrave"
	Mark    Operation = "mark"
	Draw    Operation = "draw"
	Cut     Operation = "cut"
)

// Group is one of the drawing's own groups: what shares a layer and a line colour. Its letter is
// given by order of appearance. The colour describes the group and means nothing.
type Group struct {
	Letter   string `json:"letter"` // A, B, C, … Z, AA, …
	Layer    string `json:"layer"`  // nearest named group of the drawing, may be empty
	Colour   string `json:"colour"` // line colour as #rrggbb, or "none"
	Shapes   int64  `json:"shapes"`
	Pictures int64  `json:"pictures"`
	LengthUM int64  `json:"length_um"`
}

// Request is everything a plan depends on.
type Request struct {
	Drawing []byte // as received; SVG, DXF, PNG or JPEG
	// Operations assigns an operation to a group's letter. A group that is missing gets Default.
	Operations map[string]Operation
	Default    Operation
	Tool       string // the profile's tool that is used
	Profile    machine.Profile
	Material   material.Material
	Stock      material.Stock
	Settings   []material.Setting // one an operation; a missing one is a refusal
	Choices    Choices
}

// Plan is what one run does. It is immutable and named by the digest of its canonical bytes.
// Coordinates are micrometres from the plan's origin, which is placed on the bed at sign-off.
type Plan struct {
	Planner   string       `json:"planner"`
	Drawing   canon.Digest `json:"drawing"`
	Profile   canon.Digest `json:"profile"`
	Tool      string       `json:"tool"`
	ToolKind  string       `json:"tool_kind"`
	Material  string       `json:"material"`
	Stock     string       `json:"stock_lot"`
	Groups    []Group      `json:"groups"`
	Strokes   []Stroke     `json:"strokes"` // in running order
	Pieces    []Piece      `json:"pieces"`  // in the order in which they come loose
	Extents   geom.Box     `json:"extents"` // of everything the tool marks
	Reach     geom.Box     `json:"reach"`   // of everywhere the carriage goes for it
	Numbers   Numbers      `json:"numbers"`
	Hot       []HotSpot    `json:"hot"`
	Warnings  []Warning    `json:"warnings"`
	PurgeS    int64        `json:"purge_s"` // 0 for a pen
	SheetSize geom.Point   `json:"sheet_size"`
	// Uncorrected: the machine is told the lines as they are, whatever its profile says of its geometry.
	Uncorrected bool `json:"uncorrected,omitempty"`

	stored *source // of a plan that was opened, whose Strokes are not held
}

// Stroke is one way that the carriage goes without stopping; its first point is reached with the tool
// off.
type Stroke struct {
	Operation Operation `json:"operation"`
	Group     string    `json:"group"`
	// Closed: the line returns to where it began. A run-in before that point and an overlap past it
	// may belong to the stroke too.
	Closed bool `json:"closed"`
	// Points are where the carriage goes at the work speed, without stopping. On are the parts of
	// that way with the tool on; empty means all of it. The rest is run-in, over-travel, a blank of a
	// picture or a holding tab.
	Points        []geom.Point `json:"points"`
	On            []geom.Span  `json:"on,omitempty"`
	SpeedUMPerS   int64        `json:"speed_um_per_s"`
	PowerPermille int64        `json:"power_permille"`
	// Piece is the 1-based number of the piece or drop-out that this stroke frees; 0 = none.
	Piece int64 `json:"piece"`
}

// Piece is a part that comes loose; a drop-out is one that is waste (a hole's inside). Extents and
// area are those of the drawing where its lines were moved by half a kerf.
type Piece struct {
	Number  int64    `json:"number"`
	Dropout bool     `json:"dropout"`
	Extents geom.Box `json:"extents"`
	AreaMM2 int64    `json:"area_mm2"`
	// SharedUM is how much of its edge is cut once for it and a neighbour, which costs both half a
	// kerf there; NarrowerUM and LowerUM are what its extents lose by that in x and y.
	SharedUM   int64 `json:"shared_um,omitempty"`
	NarrowerUM int64 `json:"narrower_um,omitempty"`
	LowerUM    int64 `json:"lower_um,omitempty"`
}

// Numbers are computed from the strokes and the profile. Times are machine time, not scaled;
// BeamMS, TravelMS and WaitMS add up to TotalMS but for the rounding of each. Lengths count every
// pass. EnergyMJ also counts the time in which the tool goes off while the carriage waits.
type Numbers struct {
	TotalMS   int64 `json:"total_ms"`
	BeamMS    int64 `json:"tool_on_ms"` // of motion with the tool on
	TravelMS  int64 `json:"travel_ms"`
	WaitMS    int64 `json:"wait_ms"` // switch delays and rests
	WorkUM    int64 `json:"work_um"`
	TravelUM  int64 `json:"travel_um"`
	CutUM     int64 `json:"cut_um"`
	MarkUM    int64 `json:"mark_um"`
	EngraveUM int64 `json:"engrave_um"`
	DrawUM    int64 `json:"draw_um"`
	EnergyMJ  int64 `json:"energy_mj"`  // millijoules that the beam delivers
	SnapUM    int64 `json:"snap_um"`    // farthest that a point is moved to where the machine can go
	JitterUM  int64 `json:"jitter_um"`  // farthest that the switch's jitter moves the end of a line
	DoubledUM int64 `json:"doubled_um"` // of lines that lay on others and were left out
	Pieces    int64 `json:"pieces"`
	Dropouts  int64 `json:"dropouts"`
	// SheetPermille is the share of the sheet that the extents take, in thousandths.
	SheetPermille int64 `json:"sheet_permille"`
	// Doses are the energy along the lines of each operation that a beam does.
	Doses    []OperationDose `json:"doses"`
	HotSpots int64           `json:"hot_spots"` // those in Plan.Hot and those that were left off
	// RemovedNL is the material that goes into the air with the kerf of cut lines, in nanolitres
	// (thousandths of a mm³), and FumeUG its mass in micrograms; nil where it is not known: the stock
	// has no grammage, or nothing is cut, since nobody knows how deep marks and areas go.
	RemovedNL int64  `json:"removed_nl"`
	FumeUG    *int64 `json:"fume_ug,omitempty"`
}

// OperationDose is the line dose of an operation in µJ/mm, over stretches of one spot's width.
type OperationDose struct {
	Operation    Operation `json:"operation"`
	LeastUJPerMM int64     `json:"least_uj_per_mm"`
	MeanUJPerMM  int64     `json:"mean_uj_per_mm"`
	MostUJPerMM  int64     `json:"most_uj_per_mm"`
}

// HotSpot is a place where too much energy meets in too short a time (package dose has the rule).
type HotSpot struct {
	Place    geom.Point `json:"place"`
	EnergyMJ int64      `json:"energy_mj"` // in a disc of 2 mm within ten seconds
	Permille int64      `json:"permille"`  // of what one proven pass puts there
	AtMS     int64      `json:"at_ms"`     // when it is worst, in planned machine time
	Stroke   int64      `json:"stroke"`    // index of the stroke under way then
	Why      string     `json:"why"`
}

// Warning tells what a person should know before handing in; it refuses nothing.
type Warning struct {
	What  string `json:"what"`
	Where string `json:"where"`
	Next  string `json:"next"`
}

// Reason is one reason why no plan was made, with what to do next.
type Reason struct {
	What  string `json:"what"`
	Next  string `json:"next"`
	Field string `json:"field,omitempty"`
	Limit string `json:"limit,omitempty"`
	Value string `json:"value,omitempty"`
}

// Refusal is the error that Make returns when the drawing or the set-up cannot be planned: all
// reasons at once.
type Refusal struct{ Reasons []Reason }

// Error lists what was found.
func (r *Refusal) Error() string {
	text := "no plan"
	for i, reason := range r.Reasons {
		if i == 0 {
			text += ": "
		} else {
			text += "; "
		}
		text += reason.What
	}
	return text
}

// Encode gives the plan's canonical bytes and its digest.
func (p *Plan) Encode() ([]byte, canon.Digest, error) {
	data, err := canon.Marshal(p)
	if err != nil {
		return nil, canon.Digest{}, err
	}
	return data, canon.Sum(data), nil
}

// Decode reads canonical bytes.
func Decode(data []byte) (*Plan, error) {
	var p Plan
	if err := canon.Unmarshal(data, &p); err != nil {
		return nil, err
	}
	return &p, nil
}
