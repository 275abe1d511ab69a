package worker

import (
	"testing"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
	"kerfgate/worker/driver/simulated"
)

// What a page asks the worker to measure is measured under a set-up leave: how a stop is answered without anything
// moving, and the spans that an axis finds five times over. What it cannot find out it says.
func TestMeasure_ForACommissioning(t *testing.T) {
	t.Parallel()
	atTheMachine(t, simulated.Fault{SpanOffUM: geom.Pt(-150, 0)}, func(t *testing.T, h *hand, o *overheard) {
		h.says(broker.SetupCommand{Kind: broker.SetupHome, OnMark: true})
		from := h.at()
		o.forget()
		r := h.says(broker.SetupCommand{Kind: broker.SetupMeasure, What: machine.AskAnswered})
		if r.Problem != "" || len(r.Numbers) != 5 || h.at() != from {
			t.Errorf("how a stop is answered: %+v", r)
		}
		o.mu.Lock()
		if len(o.lines) > 0 {
			t.Errorf("lines were sent for it: %q", o.lines)
		}
		o.mu.Unlock()
		r = h.says(broker.SetupCommand{Kind: broker.SetupMeasure, What: machine.AskRepeatX, OnMark: true})
		want := h.s.profile.TravelUM.Width() - 150
		if r.Problem != "" || len(r.Numbers) != 5 || r.Numbers[0] != want || r.Numbers[4] != want {
			t.Errorf("the spans along x: %+v, want %d", r, want)
		}
		for _, what := range []string{machine.AskRepeatY, machine.AskFlow, machine.AskStop, ""} { // y is placed by hand
			if r := h.says(broker.SetupCommand{Kind: broker.SetupMeasure, What: what, OnMark: true}); r.Problem != phraseCommand || len(r.Numbers) > 0 {
				t.Errorf("%q: %+v", what, r)
			}
		}
		if r := h.says(broker.SetupCommand{Kind: broker.SetupMeasure, What: machine.AskRepeatX}); r.Problem != phraseByHand {
			t.Errorf("nobody said that the carriage stands on its mark: %+v", r)
		}
	})
}
