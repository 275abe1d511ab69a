package engrave

import "fmt"

// switchMS is how long the tool takes to go on and off again, at worst.
func (p Pattern) switchMS() int64 {
	return p.Switch.OnDelayMS + p.Switch.OffDelayMS + p.Switch.JitterMS
}

// edgeMS is by how much the length of a dot may come out wrong in time: both its ends jitter.
func (p Pattern) edgeMS() int64 { return 2 * p.Switch.JitterMS }

// keepsUp says whether the tool can be switched for every dot without the carriage stopping: a dot
// one pitch long lasts at least as long as going on and off takes, and its length is off by one
// pitch at most.
func (p Pattern) keepsUp() bool {
	return p.Switch.InMotion && p.SpeedUMPerS*max(p.switchMS(), p.edgeMS()) <= p.PitchUM*1000
}

// edgesHold says whether an area's lines can be switched without the carriage stopping: their ends come out
// off by no more than a pitch. What of them is too short to be switched so is a matter of each line.
func (p Pattern) edgesHold() bool {
	return p.Switch.InMotion && p.SpeedUMPerS*p.edgeMS() <= p.PitchUM*1000
}

// leastOnUM and leastOffUM are the shortest line and the shortest blank that the tool makes at this speed: it
// must have followed one change, at worst with its jitter, before it is told the next. A micrometre more, since
// times are whole microseconds.
func (p Pattern) leastOnUM() int64 { return p.goes(p.Switch.OffDelayMS + p.Switch.JitterMS) }

func (p Pattern) leastOffUM() int64 { return p.goes(p.Switch.OnDelayMS + p.Switch.JitterMS) }

// goes is how far the carriage goes in so many milliseconds, and a little more.
func (p Pattern) goes(ms int64) int64 {
	if ms == 0 {
		return 0
	}
	return ceilDiv(p.SpeedUMPerS*(1000*ms+2), 1_000_000) + 1
}

// mustKeepUp refuses a picture for a tool that cannot follow it.
func (p Pattern) mustKeepUp() error {
	const outlines = "mark its outlines instead"
	if !p.Switch.InMotion {
		return &Refusal{What: "the tool is switched only while the carriage stands, and a picture is switched from dot to dot",
			Next: outlines + ", or take a tool that is switched in motion"}
	}
	if p.keepsUp() {
		return nil
	}
	slower := p.PitchUM * 1000 / max(p.switchMS(), p.edgeMS())
	r := &Refusal{Next: fmt.Sprintf("engrave at %s mm/s at most, or %s", mm(slower), outlines),
		Limit: mm(slower) + " mm/s", Value: mm(p.SpeedUMPerS) + " mm/s"}
	if p.SpeedUMPerS*p.switchMS() > p.PitchUM*1000 {
		r.What = fmt.Sprintf("a dot of %s mm at %s mm/s lasts %.3g ms, the switch needs %d ms",
			mm(p.PitchUM), mm(p.SpeedUMPerS), float64(p.PitchUM*1000)/float64(p.SpeedUMPerS), p.switchMS())
	} else {
		r.What = fmt.Sprintf("the switch jitters by %d ms at either end of a dot, which at %s mm/s are %s mm, more than the line pitch of %s mm",
			p.Switch.JitterMS, mm(p.SpeedUMPerS), mm(p.SpeedUMPerS*p.edgeMS()/1000), mm(p.PitchUM))
	}
	return r
}

// OverTravelUM is the way before the first and after the last part of a row with the tool on: the
// v²/2a in which the carriage reaches its speed, and what it goes in the switch's time, so that the
// speed is constant while the tool is on. (Uniform acceleration; own check: 300 mm/s at 3000 mm/s²
// need 15 mm.)
func (p Pattern) OverTravelUM() int64 {
	v := p.SpeedUMPerS
	return ceilDiv(v*v, 2*p.AccelUMPerS2) + ceilDiv(v*p.switchMS(), 1000)
}

func ceilDiv(a, b int64) int64 { return (a + b - 1) / b }
