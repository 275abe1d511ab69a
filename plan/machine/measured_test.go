package machine_test

import (
	"slices"
	"strings"
	"testing"

	"kerfgate/plan/machine"
)

func cutter() machine.Profile {
	return machine.Profile{Name: "bench", Tools: []machine.Tool{{Name: "pen", Kind: machine.ToolPen}, {Name: "beam", Kind: machine.ToolBeam}},
		CutOff: machine.CutOff{Means: "unknown"}, Driver: machine.Driver{Kind: machine.DriverSimulated}}
}

// take answers questions as they are typed.
func take(t *testing.T, answers map[string]string) machine.Measured {
	t.Helper()
	var m machine.Measured
	for _, q := range machine.Questions(machine.ToolBeam) {
		text, ok := answers[q.Key]
		if !ok {
			continue
		}
		numbers, words, err := q.Read(text)
		if err != nil {
			t.Fatalf("%s: %v", q.Key, err)
		}
		if err := q.Take(&m, numbers, words); err != nil {
			t.Fatalf("%s: %v", q.Key, err)
		}
	}
	return m
}

// TestI15_Measured: which measurements let a beam run. The longest try counts, all three times are needed,
// over a second is too long, also from the Stop run button, and a second process is nothing.
func TestI15_Measured(t *testing.T) {
	t.Parallel()
	all := func(but ...string) map[string]string {
		a := map[string]string{machine.AskCablePulled: "200 310 250", machine.AskWorkerKilled: "240 260 250", machine.AskHostSuspended: "300 300 300",
			machine.AskMeans: machine.MeansTimer, machine.AskStop: "60 90 70 60 60"}
		for i := 0; i < len(but); i += 2 {
			if a[but[i]] = but[i+1]; but[i+1] == "" {
				delete(a, but[i])
			}
		}
		return a
	}
	before := cutter()
	tested := before
	tested.CutOff = machine.CutOff{Tested: true, CablePulledMS: 100, WorkerKilledMS: 100, HostSuspendedMS: 100, Means: machine.MeansTimer}
	for name, c := range map[string]struct {
		from    machine.Profile
		answers map[string]string
		worst   int64
		runs    bool
	}{
		"all measured":                {before, all(), 310, true},
		"a second exactly":            {before, all(machine.AskWorkerKilled, "1000 900 900"), 1000, true},
		"over a second":               {before, all(machine.AskHostSuspended, "400 1001 400"), 1001, false},
		"a stop over a second":        {before, all(machine.AskStop, "60 60 60 1200 60"), 1200, false},
		"one not measured":            {before, all(machine.AskHostSuspended, ""), 0, false},
		"one of a tested one anew":    {tested, all(machine.AskHostSuspended, "", machine.AskWorkerKilled, ""), 0, false},
		"a second process":            {before, all(machine.AskMeans, machine.MeansProcess), 0, false},
		"other means, times as older": {tested, map[string]string{machine.AskMeans: machine.MeansRelay}, 0, false},
		"the same means, told again":  {tested, map[string]string{machine.AskMeans: machine.MeansTimer}, 100, true},
		"nothing of it":               {tested, map[string]string{machine.AskPressure: "118"}, 100, true},
	} {
		p := take(t, c.answers).Apply(c.from, "beam")
		worst, ok := p.CutOff.Worst()
		if runs := ok && worst <= machine.LongestCutOffMS; runs != c.runs || worst != c.worst {
			t.Errorf("%s: %d ms, runs %v, want %d, %v: %+v", name, worst, runs, c.worst, c.runs, p.CutOff)
		}
	}
	if before.CutOff.Tested || before.Tools[1].Switch.Kind != "" {
		t.Error("the profile that it began with was changed")
	}
}

// TestMeasuredSwitch: the mean is the delay, the widest spread the jitter, the range of readings the repeat error.
func TestMeasuredSwitch(t *testing.T) {
	t.Parallel()
	p := take(t, map[string]string{machine.AskSwitch: "hold", machine.AskSensor: "yes", machine.AskOn: "12 18; 15 15 16", machine.AskOff: "4 5 3 4 4",
		machine.AskRepeatX: "1000 1030 990 1000 1000", machine.AskRepeatY: "-20 0 -10 0 0", machine.AskFlow: "310"}).Apply(cutter(), "beam")
	if s := p.Tools[1].Switch; s != (machine.Switch{Kind: machine.SwitchHold, HasSensor: true, OnDelayMS: 15, OffDelayMS: 4, JitterMS: 6}) {
		t.Errorf("switch %+v", s)
	}
	if p.Tools[0].Switch != (machine.Switch{}) || p.PlacingX.RepeatErrorUM != 40 || p.PlacingY.RepeatErrorUM != 20 || p.Air.MeasuredFlowM3PerH != 310 {
		t.Errorf("%+v", p)
	}
}

// TestQuestions: keys are unique, a pen is asked of no beam, and each question says no to what does not answer it.
func TestQuestions(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, q := range machine.Questions(machine.ToolBeam) {
		if seen[q.Key] || q.Text == "" || q.Do == "" || len(q.By) == 0 || (q.Tries == 0) == (len(q.Choices) == 0) || (q.Tries == 0) != (q.Unit == "") {
			t.Errorf("%+v", q)
		}
		seen[q.Key] = true
		bad := []string{"", "soon", "1.5", "99999999999", "-99999999999", strings.Repeat("7 ", 30)}
		if q.Tries > 1 {
			bad = append(bad, "300")
		}
		if q.Words {
			bad = []string{"", "  ", strings.Repeat("x", 201)}
		}
		for _, text := range bad {
			if _, _, err := q.Read(text); err == nil {
				t.Errorf("%s takes %q", q.Key, text)
			}
		}
	}
	for _, q := range machine.Questions(machine.ToolPen) {
		if slices.Contains([]string{machine.AskCablePulled, machine.AskWorkerKilled, machine.AskHostSuspended, machine.AskMeans}, q.Key) {
			t.Errorf("a pen is asked for %s", q.Key)
		}
	}
}
