package simulated

import (
	"fmt"
	"math"
	"time"

	"kerfgate/plan/machine"
)

// trials is how often each cause is tried, at different instants; the worst counts.
const trials = 20

// MeasureCutOff measures, as at commissioning, for how many milliseconds the beam stays on after the
// cable is pulled in the middle of a line, the worker is killed after a whole line, and the host is
// suspended and wakes again; the worst of several trials each, rounded up. It drives the same
// machine that runs are carried out on, in its own time and at its true speed. Tested is false where
// the profile describes no machine or the beam never went off.
func MeasureCutOff(p machine.Profile) machine.CutOff {
	p.Driver.MotionScale = 1
	cfg := Config{Profile: p}
	tool, err := cfg.check()
	if err != nil {
		return machine.CutOff{CablePulledMS: -1, WorkerKilledMS: -1, HostSuspendedMS: -1, Means: err.Error()}
	}
	out := machine.CutOff{
		CablePulledMS:   worst(cfg, tool, cablePulled),
		WorkerKilledMS:  worst(cfg, tool, workerKilled),
		HostSuspendedMS: worst(cfg, tool, hostSuspended),
		Means:           "timer in the simulated supply",
	}
	out.Tested = out.CablePulledMS >= 0 && out.WorkerKilledMS >= 0 && out.HostSuspendedMS >= 0
	return out
}

// cause is what happens to the host while the beam is on.
type cause int

const (
	cablePulled cause = iota
	workerKilled
	hostSuspended
)

// worst is the longest time, in whole milliseconds rounded up, that the beam stayed on; −1 when it
// did not go off.
func worst(cfg Config, tool machine.Tool, c cause) int64 {
	longest := 0.0
	for k := range trials {
		cfg.Seed = uint64(k)
		s := beamAfter(cfg, tool, c, 3+0.037*float64(k))
		if s < 0 {
			return -1
		}
		longest = max(longest, s)
	}
	return int64(math.Ceil(longest*1000 - 1e-6))
}

// beamAfter streams work with the beam on, lets the cause happen at an instant after the beam came
// on, and gives the seconds until the beam was off for good; −1 when it never was.
func beamAfter(cfg Config, tool machine.Tool, c cause, at float64) float64 {
	const tick = 0.01
	m := newController(cfg, tool)
	h := host{m: m, every: watchdog(cfg, tool) / 4}
	h.write("G28\n")
	for t := 0.0; !m.homed && t < 3600; t += tick {
		m.advance(m.now + tick)
	}
	m.arm([16]byte{})
	h.write("G21 G90\n")
	h.write("M3 S1000\n")
	for t := 0.0; !m.supply.on && t < 60; t += tick {
		h.live()
		m.advance(m.now + tick)
	}
	if !m.supply.on {
		return -1
	}
	start := m.now
	for m.now < start+at-instantS {
		h.live()
		m.advance(min(m.now+tick, start+at))
	}
	when := m.now
	line := h.line()
	switch c {
	case cablePulled:
		m.receive([]byte(line[:len(line)/2]))
	case workerKilled:
		m.receive([]byte(line))
	}
	m.advance(when + 5)
	if c == hostSuspended { // the host wakes and believes that nothing happened
		for m.now < when+10 {
			h.live()
			m.advance(m.now + tick)
		}
	} else {
		m.advance(when + 10)
	}
	if m.supply.on {
		return -1
	}
	return max(m.supply.changed-when, 0)
}

// host is the sending side of a measurement: work back and forth along x, a quarter of a second a
// line, and signs of life while it waits.
type host struct {
	m     *controller
	every time.Duration
	last  float64
	back  bool
	x     float64
}

func (h *host) write(text string) {
	h.m.receive([]byte(text))
	h.last = h.m.now
}

// line is the next line of work.
func (h *host) line() string {
	low, high := mm(h.m.travel.Min.X), mm(h.m.travel.Max.X)
	step := min(h.m.limits.workMMS/4, high-low)
	if h.x+step > high-low {
		h.back = true
	}
	if h.x-step < 0 {
		h.back = false
	}
	if h.back {
		step = -step
	}
	h.x += step
	return fmt.Sprintf("G1 X%.3f F%.3f\n", low+h.x, h.m.limits.workMMS*60)
}

// live does what a host does that is well.
func (h *host) live() {
	h.m.answers()
	if h.m.inbox == nil {
		h.write(h.line())
		return
	}
	if h.m.now-h.last >= h.every.Seconds() {
		h.write(string(rune(stillHere)))
	}
}
