package planfile

import (
	"fmt"

	"kerfgate/deploy/demo"
	"kerfgate/deploy/given"
	"kerfgate/plan"
	"kerfgate/plan/machine"
	"kerfgate/plan/material"
)

// mostDrawing is one byte more than the planner takes, so that the planner itself says why.
const mostDrawing = 32<<20 + 1

// gathered is a request with what nobody said and was assumed.
type gathered struct {
	request plan.Request
	assumed []string
}

func (g *gathered) assume(format string, args ...any) {
	g.assumed = append(g.assumed, fmt.Sprintf(format, args...))
}

// Examples names what --machine, --material and --stock take instead of a file.
func Examples() (machines, materials, stock []string) {
	for _, m := range demo.Machines() {
		machines = append(machines, given.ExampleName(m.Bay))
	}
	for _, lot := range demo.Shelf() {
		materials = append(materials, given.ExampleName(lot.Material.Name))
		stock = append(stock, given.ExampleName(lot.Stock.Lot))
	}
	return machines, materials, stock
}

// gather reads everything that a plan depends on and fills in what was not said.
func gather(cfg Config) (gathered, error) {
	var g gathered
	drawing, err := given.Bounded(cfg.File, "drawing", mostDrawing)
	if err != nil {
		return g, err
	}
	g.request.Drawing = drawing
	example, err := g.machine(cfg)
	if err != nil {
		return g, err
	}
	tool, err := g.tool(cfg.Tool)
	if err != nil {
		return g, err
	}
	lot, err := g.material(cfg.Material)
	if err != nil {
		return g, err
	}
	if err := g.stock(cfg.Stock, lot); err != nil {
		return g, err
	}
	if err := g.settings(cfg.Settings, tool, example); err != nil {
		return g, err
	}
	if err := g.operations(cfg.Operations, tool); err != nil {
		return g, err
	}
	if cfg.Choices != "" {
		err = readJSON(cfg.Choices, "choices", &g.request.Choices)
	}
	return g, err
}

// machine reads the profile; example is the demo's machine if it was named.
func (g *gathered) machine(cfg Config) (example *demo.Machine, err error) {
	for _, m := range demo.Machines() {
		if given.ExampleName(m.Bay) == cfg.Machine {
			g.request.Profile = m.Profile
			return &m, nil
		}
	}
	return nil, g.named(cfg.Machine, "machine", "a profile", &g.request.Profile)
}

// named reads a file for which an example might have been named.
func (g *gathered) named(name, flag, what string, into any) error {
	machines, materials, stock := Examples()
	examples := map[string][]string{"machine": machines, "material": materials, "stock": stock}[flag]
	if given.IsExample(name) {
		return given.NoExample(name, flag, what, examples)
	}
	return readJSON(name, flag, into)
}

func (g *gathered) tool(name string) (machine.Tool, error) {
	tools := g.request.Profile.Tools
	if len(tools) == 0 {
		return machine.Tool{}, &given.UsageError{What: "the profile has no tools", Next: "add at least one under \"tools\""}
	}
	if name == "" {
		name = tools[0].Name
		if len(tools) > 1 {
			g.assume("tool: %s, the profile's first (--tool takes another)", name)
		}
	}
	g.request.Tool = name
	tool, _ := g.request.Profile.Tool(name) // the planner says when it is missing
	return tool, nil
}

// material reads the material; lot is the demo's if it was named.
func (g *gathered) material(name string) (*demo.Lot, error) {
	for _, lot := range demo.Shelf() {
		if given.ExampleName(lot.Material.Name) == name {
			g.request.Material = lot.Material
			return &lot, nil
		}
	}
	return nil, g.named(name, "material", "a material", &g.request.Material)
}

// stock reads the lot of sheets, takes the one of the named material, or assumes one.
func (g *gathered) stock(name string, of *demo.Lot) error {
	switch {
	case name == "" && of != nil:
		g.request.Stock = of.Stock
		g.assume("stock: lot %s of the demo, %s mm thick, sheets of %s × %s mm", of.Stock.Lot, mm(of.Stock.ThicknessUM),
			mm(of.Stock.SheetWidthUM), mm(of.Stock.SheetHeightUM))
		return nil
	case name == "":
		travel := g.request.Profile.TravelUM
		g.request.Stock = material.Stock{Lot: "assumed", ThicknessUM: 3_000, ToleranceUM: 300,
			SheetWidthUM: travel.Width(), SheetHeightUM: travel.Height()}
		g.assume("stock: 3 mm thick, a sheet as large as the machine's travel (--stock says otherwise)")
		return nil
	}
	for _, lot := range demo.Shelf() {
		if given.ExampleName(lot.Stock.Lot) == name {
			if of != nil && of.Stock.Lot != lot.Stock.Lot {
				return &given.UsageError{What: fmt.Sprintf("the lot %s is %s, not %s", lot.Stock.Lot, lot.Material.Name, of.Material.Name),
					Next: "leave --stock out, or take --material " + given.ExampleName(lot.Material.Name)}
			}
			g.request.Stock = lot.Stock
			return nil
		}
	}
	return g.named(name, "stock", "a lot", &g.request.Stock)
}

// settings reads them, takes those of the demo for its own machines and materials, or seeds.
func (g *gathered) settings(file string, tool machine.Tool, example *demo.Machine) error {
	if file != "" {
		return readJSON(file, "settings", &g.request.Settings)
	}
	if example != nil {
		g.request.Settings = demo.Settings(*example, tool.Name, g.request.Material.Name)
	}
	if len(g.request.Settings) > 0 {
		g.assume("settings: the demo's own, which nobody has proven on a real machine: %s", settingsText(g.request.Settings))
		return nil
	}
	g.request.Settings = seeds(g.request.Profile, tool, g.request.Stock)
	g.assume("settings: seeds for a first trial, which nobody has proven: %s", settingsText(g.request.Settings))
	return nil
}

// operations reads {"A": "cut", …}; the key default stands for the groups that are not named.
func (g *gathered) operations(file string, tool machine.Tool) error {
	usual := plan.Cut
	if tool.Kind == machine.ToolPen {
		usual = plan.Draw
	}
	if s := g.request.Settings; len(s) > 0 && tool.Kind == machine.ToolBeam {
		usual = plan.Operation(s[0].Operation)
	}
	g.request.Operations = map[string]plan.Operation{}
	if file != "" {
		if err := readJSON(file, "operations", &g.request.Operations); err != nil {
			return err
		}
	}
	if chosen, ok := g.request.Operations["default"]; ok {
		usual = chosen
		delete(g.request.Operations, "default")
	} else {
		g.assume("operation of every group that none was given: %s", usual)
	}
	g.request.Default = usual
	return nil
}

// readJSON reads one value that a flag was given.
func readJSON(path, flag string, into any) error {
	return given.JSON(path, flag, "kerfgate plan --help shows an example of each file", into)
}
