package checklist

import "kerfgate/plan/machine"

// LookedAgain is what the attending operator saw before a paused run goes on. It is asked after every pause
// and not only after an open lid: many machines cannot say whether theirs was opened.
type LookedAgain struct {
	NoGlow    bool // nothing glows, smokes or burns
	Unmoved   bool // sheet and carriage are where they were
	EyewearOn bool // everybody inside has a pair on
}

// Refuse lists why the run must not go on. Of a pen no more is asked than that nothing was moved.
func (l LookedAgain) Refuse(tool machine.Tool) []Reason {
	var no []Reason
	beam := tool.Kind == machine.ToolBeam
	if beam && !l.NoGlow {
		no = append(no, Reason{What: "something glows, smokes or burns, or nobody looked", Next: "alarm and extinguisher first, then Stop run"})
	}
	if !l.Unmoved {
		no = append(no, Reason{What: "the sheet or the carriage was moved, or nobody looked", Next: "Stop run; the sheet is worked anew as another run"})
	}
	if beam && !l.EyewearOn {
		no = append(no, Reason{What: "not everybody inside has a pair on", Next: "put the pairs on, then resume"})
	}
	return no
}
