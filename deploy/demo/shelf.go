package demo

import (
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// Lot is one lot on the demo's shelf.
type Lot struct {
	Material material.Material
	Stock    material.Stock
	Count    int64
}

// Shelf is what the workshop cuts: three kinds of sheet, a lot each.
func Shelf() []Lot {
	return []Lot{
		{kind(material.Material{Name: "poplar plywood", Label: "poplar veneer, urea glue", Composition: material.Of("poplar veneer", "urea glue"), ColourClass: "light", Listed: 3}),
			material.Stock{Lot: "P118", Colour: "natural", ThicknessUM: 3000, ToleranceUM: 200, GrammageGPerM2: 1350, SheetWidthUM: 300_000, SheetHeightUM: 200_000}, 24},
		{kind(material.Material{Name: "card", Label: "dyed, uncoated paper fibre, no data sheet", Composition: material.Of("paper fibre", "paper dye"), ColourClass: "mid", Listed: 53}),
			material.Stock{Lot: "C204", Colour: "fern", ThicknessUM: 400, ToleranceUM: 50, GrammageGPerM2: 300, SheetWidthUM: 297_000, SheetHeightUM: 210_000}, 60},
		{kind(material.Material{Name: "wool felt", Label: "wool, no synthetic fibre", Composition: material.Of("wool"), ColourClass: "dark", Listed: 18}),
			material.Stock{Lot: "F061", Colour: "moss", ThicknessUM: 3000, ToleranceUM: 400, GrammageGPerM2: 600, SheetWidthUM: 300_000, SheetHeightUM: 300_000}, 12},
	}
}

// kind is a material of the workshop as the shipped list judges it.
func kind(m material.Material) material.Material {
	l, _ := material.ListedAs(m.Listed)
	m.Verdict, m.Reason, m.Sources, m.Fumes, m.Hazards, m.Only, m.Marks = l.Verdict, l.Reason, l.Sources, l.Fumes, l.Hazards, l.Only, l.Marks
	return m
}

// trial is one row of what the demo's imaginary settings grids have shown.
type trial struct {
	bay, tool, material, operation string
	mmPerS, permille, passes       int64
}

var proven = []trial{
	{"Bay 1", "beam", "poplar plywood", "cut", 14, 800, 1}, {"Bay 1", "beam", "poplar plywood", "mark", 90, 180, 1},
	{"Bay 1", "beam", "card", "cut", 45, 250, 1}, {"Bay 1", "beam", "card", "mark", 150, 90, 1},
	{"Bay 1", "beam", "wool felt", "cut", 30, 400, 1}, {"Bay 1", "beam", "wool felt", "mark", 120, 120, 1},
	{"Bay 1", "beam", "poplar plywood", "engrave", 100, 90, 1},
	{"Bay 2", "beam", "poplar plywood", "mark", 20, 1000, 1}, {"Bay 2", "beam", "card", "cut", 8, 1000, 1},
	{"Bay 2", "beam", "card", "mark", 40, 1000, 1},
	{"Bay 2", "pen", "card", "draw", 40, 1000, 1}, {"Bay 2", "pen", "poplar plywood", "draw", 40, 1000, 1},
	{"Bay 3", "pen", "card", "draw", 90, 1000, 1}, {"Bay 3", "pen", "poplar plywood", "draw", 60, 1000, 1},
	{"Bay 3", "pen", "wool felt", "draw", 40, 1000, 1},
}

// setting is the row as a machine's setting; the kerf is as wide as the tool's line.
func (t trial) setting(p machine.Profile) material.Setting {
	tool, _ := p.Tool(t.tool)
	s := material.Setting{Operation: t.operation, SpeedUMPerS: t.mmPerS * 1000, PowerPermille: t.permille, Passes: t.passes,
		KerfUM: tool.SpotUM, Evidence: "settings grid of the demo"}
	s.DoseUJPerMM = s.LineDose(tool.PowerMW)
	return s
}

// Settings are what the demo has proven for a tool and a material on the machine in a bay.
func Settings(m Machine, tool, name string) []material.Setting {
	var all []material.Setting
	for _, t := range proven {
		if t.bay == m.Bay && t.tool == tool && t.material == name {
			all = append(all, t.setting(m.Profile))
		}
	}
	return all
}
