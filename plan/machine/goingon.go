package machine

import "fmt"

// GoingOn says how a paused run goes on, and what of it may show on the sheet: with a run-in where the machine can be
// told its lines anew from where the tool went off and switches it in motion (a simulated one comes up to speed by
// itself), else from rest.
func (p Profile) GoingOn(t Tool) string {
	name := "tool"
	if t.Kind == ToolBeam {
		name = "beam"
	}
	known := p.Driver.Kind == DriverSimulated || p.Driver.Dialect != nil && p.Driver.Dialect.TellsOff()
	switch {
	case known && (t.Switch.InMotion || p.Driver.Kind == DriverSimulated):
		return fmt.Sprintf("The carriage goes back a little and comes up to speed before the %s is on again.", name)
	case known && t.Kind == ToolBeam:
		return fmt.Sprintf("The %s is switched at rest: it comes on where it went off, up to %s mJ more than elsewhere.", name, millimetres(t.PowerMW*t.Switch.JitterMS))
	case known:
		return fmt.Sprintf("The %s comes down where it was lifted.", name)
	}
	return fmt.Sprintf("This machine does not say where its %s went off: a darker spot, or a gap of up to %s mm, may show where it goes on.", name, millimetres(p.gap()))
}

// gap is the longest way from where the tool goes off to where the carriage rests, in micrometres: v²/2a at the greatest
// work speed, rounded up to a tenth of a millimetre. A tool that is slow to go off makes it shorter.
func (p Profile) gap() int64 {
	v, a := p.Bounded(p.WorkSpeedUMPerS), min(p.AccelXUMPerS2, p.AccelYUMPerS2)
	if a <= 0 {
		return 0
	}
	return (v*v/(2*a) + 99) / 100 * 100
}
