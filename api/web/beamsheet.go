package web

import "io"

// RenderBeamSheet writes what a doctor asks of a machine's beams, for paper.
func RenderBeamSheet(w io.Writer, v BeamSheetView) error { return render(w, "beam-sheet", "frame", v) }

// BeamSheetView is that page.
type BeamSheetView struct {
	Shell
	Machine        MachineView
	Profile        string // digest, short
	Beams          []BeamRow
	Room, FreshAir string // as they are kept, empty for unknown
	Clearing       ComputedView
	MayMeasure     bool
}

// BeamRow is one beam.
type BeamRow struct {
	Tool     string
	Facts    []Fact
	Computed []ComputedView
}
