package plan

import (
	"iter"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
)

func limitsOf(p machine.Profile) motion.Limits {
	return motion.Limits{
		TravelUMPerS: p.TravelSpeedUMPerS, AccelXUMPerS2: p.AccelXUMPerS2, AccelYUMPerS2: p.AccelYUMPerS2,
		CornerUM: p.CornerToleranceUM,
	}
}

// job is the plan as motion sees it. A tool that the profile lacks has no delays.
func (p *Plan) job(profile machine.Profile, origin geom.Point) motion.Job {
	tool, _ := profile.Tool(p.Tool)
	j := motion.Job{
		Limits:    limitsOf(profile),
		OnDelayMS: tool.Switch.OnDelayMS, OffDelayMS: tool.Switch.OffDelayMS,
		LongestOnMS: tool.LongestOnMS, RestMS: tool.RestMS,
		Origin: origin, Strokes: make([]motion.Stroke, len(p.Strokes)),
	}
	for i, s := range p.Strokes {
		j.Strokes[i] = motion.Stroke{Points: s.Points, SpeedUMPerS: s.SpeedUMPerS, PowerPermille: s.PowerPermille}
	}
	return j
}

// Lines renders the plan for the machine, its origin placed at the given point of the bed (machine
// coordinates, µm). The carriage is taken to stand at the origin. Lines are made as they are asked
// for; the tool is off at the end, and who stops early must switch it off.
func Lines(p *Plan, profile machine.Profile, origin geom.Point) iter.Seq[motion.Line] {
	return motion.Lines(p.job(profile, origin))
}

// numbersOf computes times, lengths and energy. BeamMS is the time of motion with the tool on, so
// that BeamMS + TravelMS + WaitMS is TotalMS up to rounding; the energy also counts the time in
// which the tool goes off, during which the carriage waits.
func numbersOf(p *Plan, tool machine.Tool, profile machine.Profile) Numbers {
	t := p.job(profile, geom.Point{}).Total()
	n := Numbers{
		TotalMS: t.TotalMS, BeamMS: t.WorkMS, TravelMS: t.TravelMS, WaitMS: t.WaitMS, TravelUM: t.TravelUM,
	}
	for _, s := range p.Strokes {
		um := geom.Length(s.Points)
		n.WorkUM += um
		switch s.Operation {
		case Cut:
			n.CutUM += um
		case Mark:
			n.MarkUM += um
		case Engrave:
			n.EngraveUM += um
		case Draw:
			n.DrawUM += um
		}
	}
	if tool.Kind == machine.ToolBeam {
		// mW × µs = nJ; thousandths of it.
		n.EnergyMJ = (tool.PowerMW*(t.OnPermilleMicros/1000) + 500_000) / 1_000_000
	}
	return n
}
