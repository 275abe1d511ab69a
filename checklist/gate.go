package checklist

import (
	"fmt"
	"time"

	"kerfgate/plan/machine"
)

// OpenFor is how long a checklist stays open without an answer before it is released.
const OpenFor = 10 * time.Minute

// Standing is what is known about one run besides the answers.
type Standing struct {
	Ready         bool            // the worker has the plan and the machine answers
	UnreadyReason string          // its own words
	LockedOut     string          // the lockout's reason; empty where in use
	Held          []Authorisation // of the operator, for that machine, today
	Placed        Placed
	Opener        bool // the one who answers is the one who opened
	Busy          bool // another run is active on the machine
	NoEdition     bool // nobody chose how long the site's fire watches last
}

// Refuse lists all that says no besides the bars, each with what to do next. An empty list and all
// bars up mean that the run may be signed (I1).
func (s Standing) Refuse(f Facts) []Reason {
	var no []Reason
	say := func(what, next string) { no = append(no, Reason{What: what, Next: next}) }
	later := func(what, next string) { no = append(no, Reason{What: what, Next: next, Kind: BecauseNotYet}) }
	if s.LockedOut != "" {
		say("the machine is locked out: "+s.LockedOut, "a safety officer lifts it with a reason")
	}
	if !s.Opener {
		say("another operator has this checklist open", "wait, or ask them to release it")
	}
	if _, why, ok := Authority(s.Held, f.Material); !ok {
		no = append(no, why)
	}
	if s.NoEdition && f.Tool.Kind == machine.ToolBeam {
		say("how long a fire watch lasts is not chosen for this site", "the safety officer chooses an edition on the page fire watch")
	}
	if s.Busy {
		later("another run is active on this machine", "finish it through purge and inspection first")
	}
	if !s.Ready {
		why := s.UnreadyReason
		if why == "" {
			why = "its worker has not answered yet"
		}
		later("the machine is not ready: "+why, "look at the machine and its worker")
	}
	no = append(no, s.Placed.Refuse(f)...)
	no = append(no, f.Forbidden()...)
	no = append(no, OpenRefusals(f)...)
	return append(no, AloneRefusals(f)...)
}

// ToolRefusals lists what the set-up of machine and tool forbids whatever is answered: a beam without
// a measured cut-off (I15), a toggle without a sensor.
func ToolRefusals(p machine.Profile, tool machine.Tool) []Reason {
	if tool.Kind != machine.ToolBeam {
		return nil
	}
	var no []Reason
	if worst, ok := p.CutOff.Worst(); p.CutOff.Means == machine.MeansProcess {
		no = append(no, Reason{What: "only a second process takes the beam of this machine away, so no beam runs", Next: machine.Cures})
	} else if !ok {
		no = append(no, Reason{What: "the cut-off of this machine is untested, so no beam runs",
			Next: "the safety officer commissions it: the seconds of beam after cable pulled, worker killed and host suspended"})
	} else if worst > machine.LongestCutOffMS {
		no = append(no, Reason{What: fmt.Sprintf("the cut-off takes %d ms; over %d ms no beam runs", worst, machine.LongestCutOffMS),
			Next: machine.Cures})
	}
	if tool.Switch.Kind == machine.SwitchToggle && !tool.Switch.HasSensor {
		no = append(no, Reason{What: "a toggling switch without a sensor cannot be trusted with a beam", Next: "fit a sensor or another switch"})
	}
	return no
}

// Down counts the bars that are not up.
func Down(bars []Bar) int {
	n := 0
	for _, b := range bars {
		if !b.Up {
			n++
		}
	}
	return n
}

// Order says whether the item may be answered now: supply comes last, after every other bar is up.
func Order(bars []Bar, key string) (Reason, bool) {
	if key != ItemSupply {
		return Reason{}, true
	}
	for _, b := range bars {
		if b.Item.Key != ItemSupply && !b.Up {
			return Reason{What: "supply on comes last; “" + b.Item.Title + "” is still down", Next: "answer the other items first, with the pair on"}, false
		}
	}
	return Reason{}, true
}
