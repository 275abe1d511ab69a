package checklist

import (
	"fmt"

	"kerfgate/plan/machine"
)

// Attended is a run elsewhere that an operator attends, from the permit until its purge is over.
type Attended struct {
	Number  int64
	Machine string
	Beam    bool // with a beam
	InView  bool // its machine was named to stand in one view with the one that is asked about
}

// AttendedElsewhere says why an operator who attends these runs may not attend one more with this tool:
// nobody watches two beams at a time, unless the safety officer named the two machines in one view. ok is
// true where nothing is in the way.
func AttendedElsewhere(tool machine.Tool, others []Attended) (no Reason, ok bool) {
	if tool.Kind != machine.ToolBeam {
		return Reason{}, true
	}
	var beams []Attended
	for _, o := range others {
		if o.Beam {
			beams = append(beams, o)
		}
	}
	switch {
	case len(beams) == 0, len(beams) == 1 && beams[0].InView:
		return Reason{}, true
	case len(beams) == 1:
		return Reason{What: fmt.Sprintf("you attend run %d on %s, and one operator attends one run with a beam", beams[0].Number, beams[0].Machine), Kind: BecauseNotYet,
			Next: "wait until its purge is over or hand it over; the safety officer may name two machines that stand in one view"}, false
	}
	return Reason{What: fmt.Sprintf("you attend runs %d and %d, and nobody attends three beams", beams[0].Number, beams[1].Number), Kind: BecauseNotYet,
		Next: "wait until a purge is over, or hand one over"}, false
}
