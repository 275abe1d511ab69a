package checklist

import (
	"fmt"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// TestPieceUM is how wide and how high the first piece in a new material may be where nobody is there as a
// second person: the size of a settings trial, common practice, no source.
const TestPieceUM = 60_000

// Tried says which runs with the beam went to their end on one machine without flame or glow.
type Tried struct {
	Lot   bool // one on this lot, of any size
	Whole bool // one in this material, larger than a test piece
}

// FirstPiece is what stands for a second person at the first run in a new material on a site of one: a test
// piece of at most 60 × 60 mm, on the same lot, comes first. size is that of everything the plan marks; zero
// means that it was not kept, which counts as large. Of a workshop it asks nothing: there a second person
// looks on.
func FirstPiece(alone bool, tool machine.Tool, size geom.Point, tried Tried) (Reason, bool) {
	if !alone || tool.Kind != machine.ToolBeam || tried.Lot || tried.Whole {
		return Reason{}, true
	}
	if size.X > 0 && size.Y > 0 && size.X <= TestPieceUM && size.Y <= TestPieceUM {
		return Reason{}, true
	}
	return Reason{What: fmt.Sprintf("this is the first run in a new material, and its plan is larger than %d × %d mm", TestPieceUM/1000, TestPieceUM/1000),
		Next: fmt.Sprintf("run a test piece of at most %d × %d mm on the same lot first, to its end and without flame or glow", TestPieceUM/1000, TestPieceUM/1000)}, false
}
