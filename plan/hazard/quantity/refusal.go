package quantity

import (
	"errors"

	"kerfgate/plan/hazard"
	"kerfgate/plan/hazard/optics"
)

// nexts says what to do about a number that there is not; the first error that fits counts.
var nexts = []struct {
	cause error
	next  string
}{
	{optics.ErrWavelength, "ask the person in charge of laser safety: other beams are not computed"},
	{optics.ErrDuration, "take 10 s for an accidental look, 30000 s for a working day"},
	{optics.ErrPower, "enter the most that the source gives, in watts, as its maker says"},
	{optics.ErrDiameter, "enter the beam's diameter in mm, as its maker says"},
	{optics.ErrDivergence, "enter the full angle in milliradians, as the maker says"},
	{optics.ErrMarkRange, "enclose the beam, and ask the person in charge of laser safety"},
	{optics.ErrAlignment, "align an invisible beam without looking: switched off, with a target"},
	{hazard.ErrAirUnknown, "measure the volume and the flow; a recirculating filter gives no outside air"},
	{hazard.ErrMixing, "enter 10 where nobody knows it"},
	{hazard.ErrPurgeLong, "mend or strengthen the extraction, or ask the person in charge"},
	{errNoNumber, "check the inputs' units: they stand in the names"},
	{hazard.ErrQuantity, "enter what was measured: above zero"},
}

func refusal(err error) *Refusal {
	r := &Refusal{What: err.Error(), Next: "correct the input", Cause: err}
	for _, n := range nexts {
		if errors.Is(err, n.cause) {
			r.Next = n.next
			break
		}
	}
	return r
}
