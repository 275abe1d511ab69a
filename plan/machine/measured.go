package machine

import (
	"reflect"
	"slices"
)

// Measured is what a commissioning found with one tool of a machine. Times are tries in milliseconds,
// of which the longest counts; an empty list was not measured.
type Measured struct {
	CablePulledMS   []int64 `json:"cable_pulled_ms"` // beam after the cable to the machine is pulled
	WorkerKilledMS  []int64 `json:"worker_killed_ms"`
	HostSuspendedMS []int64 `json:"host_suspended_ms"`
	Means           string  `json:"means"` // what takes the beam away: one of the Means constants, or words

	SwitchKind string  `json:"switch_kind"`
	HasSensor  bool    `json:"has_sensor"`
	OnMS       []int64 `json:"on_ms"`   // from command to beam
	OffMS      []int64 `json:"off_ms"`  // from command to no beam
	StopMS     []int64 `json:"stop_ms"` // from Stop run at the station to no beam
	// AnsweredMS is from a stop to the machine's answer, with the tool off and nothing moving.
	AnsweredMS []int64 `json:"answered_ms"`

	RepeatXUM []int64 `json:"repeat_x_um"` // readings at one place, approached anew each time
	RepeatYUM []int64 `json:"repeat_y_um"`
	FlowPa    int64   `json:"flow_pa"`       // 0 = not read
	FlowM3H   int64   `json:"flow_m3_per_h"` // 0 = not measured
	// On is the day of the measuring, YYYY-MM-DD; empty = nobody wrote it down.
	On string `json:"on,omitempty"`
}

// What takes the beam away when this software is gone.
const (
	MeansSpring = "spring return"
	MeansTimer  = "hardware timer"
	MeansRelay  = "supply relay that falls by itself"
	// MeansProcess does not count: what hangs up, is killed or is suspended with the host takes a second
	// process on it along, and one on another host hangs at the same cable.
	MeansProcess = "second process"
)

// Cures are what makes a cut-off quick enough.
const Cures = "fit a switch with spring return, a timer in hardware, or a supply relay that falls by itself, then measure again; a second process does not count"

// Apply gives the profile with what was measured with the tool of that name. What was not measured
// stays as it is, but the cut-off counts as tested only when all three of its times were measured
// together, anew whenever something else takes the beam away, and that is no second process.
func (m Measured) Apply(p Profile, tool string) Profile {
	p.Tools = slices.Clone(p.Tools)
	times := [][]int64{m.CablePulledMS, m.WorkerKilledMS, m.HostSuspendedMS}
	means := m.Means
	if means == "" {
		means = p.CutOff.Means
	}
	if means != p.CutOff.Means || slices.ContainsFunc(times, func(t []int64) bool { return len(t) > 0 }) {
		c := CutOff{Tested: means != MeansProcess, Means: means, StopMS: p.CutOff.StopMS}
		for i, to := range []*int64{&c.CablePulledMS, &c.WorkerKilledMS, &c.HostSuspendedMS} {
			if len(times[i]) == 0 {
				*to, c.Tested = -1, false
				continue
			}
			*to = slices.Max(times[i])
		}
		p.CutOff = c
	}
	if t, ok := p.Tool(tool); ok && t.Kind == ToolBeam && len(m.StopMS) > 0 {
		p.CutOff.StopMS = slices.Max(m.StopMS)
	}
	for i := range p.Tools {
		if t := &p.Tools[i]; t.Name == tool {
			m.applySwitch(&t.Switch)
		}
	}
	for _, axis := range []struct {
		to   *Placing
		read []int64
	}{{&p.PlacingX, m.RepeatXUM}, {&p.PlacingY, m.RepeatYUM}} {
		if len(axis.read) > 1 {
			axis.to.RepeatErrorUM = slices.Max(axis.read) - slices.Min(axis.read)
		}
	}
	if m.FlowPa > 0 {
		p.Air.CommissionedPa = m.FlowPa
	}
	if m.FlowM3H > 0 {
		p.Air.MeasuredFlowM3PerH, p.Air.MeasuredOn = m.FlowM3H, m.On
	}
	return p
}

func (m Measured) applySwitch(s *Switch) {
	if m.SwitchKind != "" {
		s.Kind, s.HasSensor = m.SwitchKind, m.HasSensor
	}
	var jitter int64
	for _, delay := range []struct {
		to   *int64
		read []int64
	}{{&s.OnDelayMS, m.OnMS}, {&s.OffDelayMS, m.OffMS}} {
		if len(delay.read) > 0 {
			*delay.to = mean(delay.read)
			jitter = max(jitter, slices.Max(delay.read)-slices.Min(delay.read))
			s.JitterMS = jitter
		}
	}
}

// mean is rounded to whole units, half up. The readings of a delay are not negative.
func mean(v []int64) int64 {
	var sum int64
	for _, x := range v {
		sum += x
	}
	n := int64(len(v))
	return (2*sum + n) / (2 * n)
}

// MeasuresAlike says whether two versions of a profile agree in what a commissioning with that tool measures
// and in the driver that it is measured through.
func (p Profile) MeasuresAlike(q Profile, tool string) bool {
	a, ok := p.Tool(tool)
	b, ok2 := q.Tool(tool)
	return ok && ok2 && a.Kind == b.Kind && a.Switch == b.Switch && p.CutOff == q.CutOff && p.PlacingX == q.PlacingX && p.PlacingY == q.PlacingY &&
		p.Air == q.Air && reflect.DeepEqual(p.Driver, q.Driver)
}
