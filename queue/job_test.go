package queue_test

import (
	"errors"
	"testing"

	"kerfgate/queue"
)

func TestJobState(t *testing.T) {
	t.Parallel()
	run := func(phases ...queue.Phase) (facts []queue.RunFact) {
		for _, p := range phases {
			facts = append(facts, queue.RunFact{Phase: p})
		}
		return facts
	}
	for name, c := range map[string]struct {
		facts queue.JobFacts
		want  queue.JobState
	}{
		"just handed in":        {queue.JobFacts{}, queue.JobReceived},
		"refused":               {queue.JobFacts{Refused: true}, queue.JobRefused},
		"planned":               {queue.JobFacts{Planned: true}, queue.JobPlanned},
		"queued":                {queue.JobFacts{Planned: true, Runs: run(queue.Proposed, queue.Closed)}, queue.JobQueued},
		"at the gate":           {queue.JobFacts{Planned: true, Runs: run(queue.Checking)}, queue.JobQueued},
		"machine locked out":    {queue.JobFacts{Planned: true, Held: true, Runs: run(queue.Proposed)}, queue.JobHeld},
		"running, locked since": {queue.JobFacts{Planned: true, Held: true, Runs: run(queue.Purging)}, queue.JobInProgress},
		"one of two runs":       {queue.JobFacts{Planned: true, Runs: run(queue.Closed, queue.Running)}, queue.JobInProgress},
		"done":                  {queue.JobFacts{Planned: true, Runs: run(queue.Closed, queue.Closed)}, queue.JobDone},
		"withdrawn":             {queue.JobFacts{Planned: true, Withdrawn: true, Runs: run(queue.Closed)}, queue.JobWithdrawn},
	} {
		if got := c.facts.State(); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// Every move leads to a phase of the table, active phases are those from permitted to inspecting
// (I3), and nothing leaves closed.
func TestPhaseTable(t *testing.T) {
	t.Parallel()
	known := make(map[queue.Phase]bool)
	for _, p := range queue.Phases() {
		known[p] = true
		if want := p != queue.Proposed && p != queue.Checking && p != queue.Closed; p.Active() != want {
			t.Errorf("%s active: %v", p, p.Active())
		}
	}
	for _, m := range queue.Moves() {
		if !known[m.From] || !known[m.To] || m.From == queue.Closed {
			t.Errorf("move %+v", m)
		}
		if got, err := m.From.After(m.Event); err != nil || got != m {
			t.Errorf("%s × %s: %+v, %v", m.From, m.Event, got, err)
		}
	}
	if _, err := queue.Closed.After(queue.Opened); !errors.Is(err, queue.ErrMoved) {
		t.Errorf("a closed run opens: %v", err)
	}
}
