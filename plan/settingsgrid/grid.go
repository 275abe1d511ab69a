// Package settingsgrid lays out a grid of small test shapes over speed and power, by which the settings of a
// material are found: rows of speeds, columns of powers, labelled with strokes, on at most 60 × 60 mm, the
// weakest first. It is pure: what a person asked for becomes a drawing and a trial for the planner.
package settingsgrid

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"kerfgate/plan"
	"kerfgate/plan/geom"
	"kerfgate/plan/lettering"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Spec is what a person asks for.
type Spec struct {
	Operation plan.Operation `json:"operation"` // cut, mark or draw
	// Speeds in µm/s are the rows, from the slowest at the bottom up; Powers in thousandths the columns, from the
	// weakest on the left. Each value stands once.
	Speeds []int64 `json:"speeds_um_per_s"`
	Powers []int64 `json:"powers_permille"`
	Passes int64   `json:"passes"`
}

// Bounds of a grid. Five columns are what a phone can show as targets of 15 mm; a row of one is a row.
const (
	MostRows    = 5
	MostColumns = 5
	LeastCells  = 2
)

// Sizes, in µm: the strips of labels, the gap between cells, the largest cell. Own choice: a cell of 8 mm is
// judged with the naked eye and falls through no honeycomb unnoticed.
const (
	letterUM   = 2_400
	leftUM     = 9_000
	belowUM    = 4_000
	gapUM      = 3_000
	largestUM  = 8_000
	smallestUM = 5_000
)

// ErrSpec is returned for a grid that cannot be laid out; the text says why.
var ErrSpec = errors.New("no such grid")

// Grid is a grid laid out. Its cells are in the order in which they are worked, the weakest first.
type Grid struct {
	Spec
	Tool   string
	Cells  []Cell
	labels int // the position in that order before which the labels are written
	label  plan.TrialSetting
}

// Cell is one test shape.
type Cell struct {
	Row, Column int // from 0: the slowest speed, the weakest power
	Setting     material.Setting
	DoseUJPerMM int64    // along its lines, all passes; 0 for a pen
	Box         geom.Box // in the grid's own coordinates, from its lower left corner
}

// New lays out a grid for a tool. Errors: ErrSpec, all reasons at once.
func New(s Spec, tool machine.Tool) (Grid, error) {
	s.Speeds, s.Powers = slices.Sorted(slices.Values(s.Speeds)), slices.Sorted(slices.Values(s.Powers))
	g := Grid{Spec: s, Tool: tool.Name}
	if err := s.check(tool); err != nil {
		return Grid{}, err
	}
	side := g.sideUM()
	for row, speed := range s.Speeds {
		for column, power := range s.Powers {
			set := material.Setting{Operation: string(s.Operation), SpeedUMPerS: speed, PowerPermille: power, Passes: s.Passes}
			at := geom.Pt(leftUM+int64(column)*(side+gapUM), belowUM+int64(row)*(side+gapUM))
			g.Cells = append(g.Cells, Cell{Row: row, Column: column, Setting: set, DoseUJPerMM: set.LineDose(tool.PowerMW),
				Box: geom.Box{Min: at, Max: at.Add(geom.Pt(side, side))}})
		}
	}
	slices.SortStableFunc(g.Cells, func(a, b Cell) int {
		switch x, y := trialOf("", a.Setting), trialOf("", b.Setting); {
		case x.Weaker(y):
			return -1
		case y.Weaker(x):
			return 1
		}
		return cmp.Compare(b.Setting.SpeedUMPerS, a.Setting.SpeedUMPerS) // of equals the faster, which stays less long
	})
	g.labelled()
	return g, nil
}

// check says everything that is wrong with a spec.
func (s Spec) check(tool machine.Tool) error {
	var all []error
	bad := func(format string, a ...any) {
		all = append(all, fmt.Errorf("%w: "+format, append([]any{ErrSpec}, a...)...))
	}
	switch s.Operation {
	case plan.Cut, plan.Mark, plan.Draw:
		if tool.Kind == machine.ToolPen && s.Operation == plan.Cut {
			bad("a pen does not cut; try to mark or draw")
		}
	default:
		bad("%.20q is not tried by a grid; choose cut, mark or draw", string(s.Operation))
	}
	if n := len(s.Speeds); n < 1 || n > MostRows {
		bad("%d speeds; choose 1 to %d", n, MostRows)
	}
	if n := len(s.Powers); n < 1 || n > MostColumns {
		bad("%d powers; choose 1 to %d", n, MostColumns)
	}
	if len(s.Speeds)*len(s.Powers) < LeastCells {
		bad("one cell is no grid; choose two speeds or two powers")
	}
	for _, list := range [][]int64{s.Speeds, s.Powers} {
		if len(slices.Compact(slices.Clone(list))) != len(list) {
			bad("a value stands twice")
		}
	}
	for _, v := range s.Speeds {
		if v < 100 || v > 1_000_000 {
			bad("a speed of %s mm/s; choose 0.1 to 1000", thousandths(v))
		} else if lettering.WidthUM(thousandths(v), letterUM) > leftUM-gapUM/2 {
			bad("a speed of %s mm/s is too long to be written beside its row; choose a rounder one", thousandths(v))
		}
	}
	for _, v := range s.Powers {
		if v < 1 || v > 1000 {
			bad("a power of %s %%; choose 0.1 to 100", tenths(v))
		} else if v != 1000 && (tool.Kind == machine.ToolPen || !tool.Switch.Levels) {
			bad("the %s knows no power between off and full; choose 100 %% alone, and more speeds", tool.Name)
		}
	}
	if s.Passes < 1 || s.Passes > 20 {
		bad("%d passes; choose 1 to 20", s.Passes)
	}
	return errors.Join(all...)
}

// sideUM is how large a cell is, so that all of it is small enough.
func (g Grid) sideUM() int64 {
	room := func(all, strip int64, n int) int64 { return (all-strip+gapUM)/int64(n) - gapUM }
	side := min(room(plan.MostTrialUM, leftUM, len(g.Powers)), room(plan.MostTrialUM, belowUM, len(g.Speeds)), largestUM)
	return max(smallestUM, side/100*100)
}

// labelled chooses with what the labels are written: lightly, as the cell a quarter of the way up from the
// weakest is worked, and in its turn, so that nothing stronger comes before something weaker.
func (g *Grid) labelled() {
	g.labels = len(g.Cells) / 4
	g.label = trialOf("", g.Cells[g.labels].Setting)
}

func trialOf(group string, s material.Setting) plan.TrialSetting {
	return plan.TrialSetting{Group: group, SpeedUMPerS: s.SpeedUMPerS, PowerPermille: s.PowerPermille, Passes: s.Passes}
}

// groups visits what is drawn, in order: the number of a cell, −1 for the labels.
func (g Grid) groups(visit func(cell int)) {
	for i := range g.Cells {
		if i == g.labels {
			visit(-1)
		}
		visit(i)
	}
}

// Choices are those that make the planner do the grid's drawing as it must be done.
func (g Grid) Choices() plan.Choices {
	c := plan.Choices{AsDrawn: true}
	g.groups(func(cell int) {
		s := g.label
		if cell >= 0 {
			s = trialOf("", g.Cells[cell].Setting)
		}
		s.Group = plan.GroupLetter(len(c.Trial))
		c.Trial = append(c.Trial, s)
	})
	return c
}

// Operations are what is done with the drawing's groups: labels are written, never cut.
func (g Grid) Operations() map[string]plan.Operation {
	out := map[string]plan.Operation{}
	g.groups(func(cell int) {
		op := g.Operation
		if cell < 0 && op == plan.Cut {
			op = plan.Mark
		}
		out[plan.GroupLetter(len(out))] = op
	})
	return out
}

// Letter is the drawing's group of a cell.
func (g Grid) Letter(cell int) string {
	if cell >= g.labels {
		cell++
	}
	return plan.GroupLetter(cell)
}

// lines are what is drawn of a cell: its square, which falls out of a cut one; a slant too where nothing falls.
func (g Grid) lines(cell int) [][]geom.Point {
	b := g.Cells[cell].Box
	out := [][]geom.Point{{b.Min, geom.Pt(b.Max.X, b.Min.Y), b.Max, geom.Pt(b.Min.X, b.Max.Y), b.Min}}
	if g.Operation != plan.Cut {
		out = append(out, []geom.Point{b.Min, b.Max})
	}
	return out
}

// labelLines are the speeds on the left, in mm/s, and the powers below, in per cent.
func (g Grid) labelLines() [][]geom.Point {
	var out [][]geom.Point
	side := g.sideUM()
	for row, v := range g.Speeds {
		text := thousandths(v)
		at := geom.Pt(leftUM-gapUM/2-lettering.WidthUM(text, letterUM), belowUM+int64(row)*(side+gapUM)+(side-letterUM)/2)
		out = append(out, lettering.Lines(text, at, letterUM)...)
	}
	for column, v := range g.Powers {
		text := tenths(v)
		at := geom.Pt(leftUM+int64(column)*(side+gapUM)+(side-lettering.WidthUM(text, letterUM))/2, 0)
		out = append(out, lettering.Lines(text, at, letterUM)...)
	}
	return out
}

// thousandths prints thousandths without trailing zeros.
func thousandths(v int64) string { return trimmed(v, 1000) }

// tenths prints tenths without trailing zeros.
func tenths(v int64) string { return trimmed(v, 10) }

func trimmed(v, unit int64) string {
	text := fmt.Sprint(v / unit)
	if rest := v % unit; rest != 0 {
		text += "."
		for rest != 0 {
			rest *= 10
			text += fmt.Sprint(rest / unit)
			rest %= unit
		}
	}
	return text
}
