package web

import (
	"io"
	"time"
)

// RenderMaterials writes the page of all materials.
func RenderMaterials(w io.Writer, v MaterialsView) error { return render(w, "materials", "frame", v) }

// MaterialsView is that page: what lies on the shelf first, the rest of the list behind it.
type MaterialsView struct {
	Shell
	Shelved []MaterialRow // with lots
	Rest    []MaterialRow // without
	Find    string        // what was searched for
	MayEdit bool          // safety officers
	Form    MaterialForm
}

// MaterialRow is one material in the list.
type MaterialRow struct {
	Href, Name, Verdict, Reason, Composition string
	Fumes                                    []string
	Barred                                   bool     // no beam may touch it
	Lots                                     []string // in words, with what is left
}

// MaterialForm is what an officer writes about a material, as it was typed.
type MaterialForm struct {
	Name, Label, ColourClass, Reason, Why string
	// Composition, hazards, fumes, sources and marks are one a line.
	Composition, Hazards, Fumes, Read, Remembered, Marks string
	Verdicts, Only                                       []Role
	Listed                                               []Role // rows of the shipped list; empty where it may not be chosen
	Changes                                              bool   // a material that is there already
	Open                                                 bool   // it was refused
}

// RenderMaterial writes the page of one material.
func RenderMaterial(w io.Writer, v MaterialView) error { return render(w, "material", "frame", v) }

// MaterialView is that page.
type MaterialView struct {
	Shell
	Path, Name, Verdict, Reason, Label string
	Group                              string // for authorisations; empty where nothing tells it
	Rev                                int64
	Retired, Barred                    bool
	Refusals                           []Reason // why no beam may touch it
	Constituents                       []ConstituentRow
	Hazards, Fumes, Only, Marks        []string
	Sources                            []SourceRow
	Standing                           string // how the shipped list has it; empty where it is not of the list
	Lots                               []LotRow
	Settings                           []ProvenRow
	Changes                            []ChangeRow
	Shelf                              []ChangeRow // what was done to the lots
	MayEdit                            bool
	Form                               MaterialForm
	Lot                                LotForm
	Proof                              ProofForm
}

// ConstituentRow is one substance of a composition.
type ConstituentRow struct {
	Name, Elements string
	Bad            string // the halogen or whatever forbids it
}

// SourceRow is where something is known from.
type SourceRow struct {
	Name string
	Read bool
}

// LotRow is one lot on the shelf.
type LotRow struct {
	ID, Lot, Colour, Thick, Sheet string
	Rev, Count, Promised, Free    int64
	Halogen                       bool
}

// LotForm is a lot as an officer typed it.
type LotForm struct {
	Lot, Colour, Thickness, Tolerance, Grammage, Width, Height, Count string
	Open                                                              bool // it was refused
}

// ProofForm is a setting as an officer typed it.
type ProofForm struct {
	Tools, Operations                                            []Role
	Thickness, Colour, Speed, Power, Passes, Kerf, Evidence, Run string
	Open                                                         bool // it was refused
}

// ProvenRow is one proven setting of a material.
type ProvenRow struct {
	ID string
	SettingRow
	Machine, By string
	At          time.Time
	Departs     string // from what was proven, with today's power; empty where it does not
}

// ChangeRow is one change with its reason.
type ChangeRow struct {
	At               time.Time
	By, What, Reason string
}
