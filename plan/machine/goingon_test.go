package machine

import (
	"strings"
	"testing"
)

// TestGoingOn: what is said before a paused run goes on is what the machine can do. The gap is v²/2a: 60 mm/s at
// 500 mm/s² rest within 3.6 mm; a beam of 5 W that is 20 ms uncertain stands for 100 mJ.
func TestGoingOn(t *testing.T) {
	t.Parallel()
	p := Profile{TravelSpeedUMPerS: 100_000, WorkSpeedUMPerS: 60_000, AccelXUMPerS2: 700_000, AccelYUMPerS2: 500_000}
	beam := Tool{Kind: ToolBeam, PowerMW: 5000, Switch: Switch{JitterMS: 20}}
	tells := &Dialect{Here: `^at (?P<x>\d+) (?P<y>\d+)( off (?P<off_x>\d+) (?P<off_y>\d+))?`, HerePlaced: "sure", HereHeld: "held"}
	for _, c := range []struct {
		driver   Driver
		inMotion bool
		kind     string
		want     string
	}{
		{Driver{Kind: DriverSimulated}, true, ToolBeam, "comes up to speed before the beam"},
		{Driver{Kind: DriverSerial, Dialect: tells}, true, ToolBeam, "comes up to speed before the beam"},
		{Driver{Kind: DriverSerial, Dialect: tells}, false, ToolBeam, "up to 100 mJ more"},
		{Driver{Kind: DriverProgram, Dialect: tells}, false, ToolPen, "comes down where it was lifted"},
		{Driver{Kind: DriverSerial, Dialect: &Dialect{Here: `^at (?P<x>\d+) (?P<y>\d+)`, HerePlaced: "sure"}}, true, ToolBeam, "a gap of up to 3.6 mm"},
	} {
		p.Driver, beam.Switch.InMotion, beam.Kind = c.driver, c.inMotion, c.kind
		if got := p.GoingOn(beam); !strings.Contains(got, c.want) {
			t.Errorf("%s, in motion %t: %q, want %q", c.driver.Kind, c.inMotion, got, c.want)
		}
	}
}
