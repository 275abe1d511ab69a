package demo

import (
	"embed"

	"kerfgate/plan"
)

//go:embed drawings/*.svg
var drawings embed.FS

// Drawing is one of the demo's drawings: what the garden makes, of what, and what is done to its
// groups besides cutting.
type Drawing struct {
	File       string
	Title      string
	Material   string
	Operations map[string]plan.Operation // by group letter; the others are cut
}

// Drawings are all of the demo's. Each fits one sheet of its material on the cutter in Bay 1.
func Drawings() []Drawing {
	marked := func(letter string) map[string]plan.Operation { return map[string]plan.Operation{letter: plan.Mark} }
	return []Drawing{
		{"bed-sign.svg", "bed sign", "poplar plywood", marked("B")},
		{"plant-labels.svg", "plant labels", "card", marked("B")},
		{"leaf.svg", "leaf tag", "card", map[string]plan.Operation{"B": plan.Mark, "C": plan.Mark}},
		{"wave.svg", "edging for the pond bed", "poplar plywood", marked("C")},
		{"window.svg", "drawer front with a window", "poplar plywood", marked("D")},
		{"name.svg", "basil in letters", "wool felt", nil},
		{"gauge-dial.svg", "dial of the rain gauge", "poplar plywood", map[string]plan.Operation{"B": plan.Mark, "C": plan.Mark}},
		{"hinge.svg", "cover of the seed book", "poplar plywood", marked("D")},
		{"grid.svg", "sowing grid", "poplar plywood", marked("C")},
		{"stencil.svg", "stencil for pots", "card", nil},
		{"drawer-front.svg", "front of the bean drawer", "poplar plywood", map[string]plan.Operation{"B": plan.Engrave}},
	}
}

// Data is the drawing's file.
func (d Drawing) Data() []byte {
	data, err := drawings.ReadFile("drawings/" + d.File)
	if err != nil {
		panic(err) // it is part of the program
	}
	return data
}

func drawingOf(file string) Drawing {
	for _, d := range Drawings() {
		if d.File == file {
			return d
		}
	}
	panic("no demo drawing " + file)
}

// jobs wait on the board when the demo starts.
var jobs = []struct {
	title, file, bay, tool string
	copies                 int64
	set                    string // empty for none
}{
	// The herb bed gets its signs from plywood and its labels from card.
	{"bed sign", "bed-sign.svg", "Bay 1", "beam", 2, "herb bed"},
	{"plant labels", "plant-labels.svg", "Bay 2", "beam", 1, "herb bed"},
	{"bed sign, drawn", "bed-sign.svg", "Bay 3", "pen", 1, ""},
}
