package engrave_test

import (
	"errors"
	"testing"

	"kerfgate/plan/drawing"
	"kerfgate/plan/engrave"
	"kerfgate/plan/machine"
	"pgregory.net/rapid"
)

// pattern is that of a beam whose driver follows in less than a millisecond.
func pattern() engrave.Pattern {
	return engrave.Pattern{PitchUM: 100, SpeedUMPerS: 100_000, AccelUMPerS2: 1_000_000, TravelUMPerS: 400_000,
		Switch: machine.Switch{Kind: machine.SwitchLevel, InMotion: true}}
}

// square is a grey picture, ten by ten pixels of 1 mm.
func square(grey uint8) drawing.Picture {
	pic := drawing.Picture{Width: 10, Height: 10, Right: drawing.Vec{X: 1}, Down: drawing.Vec{Y: 1}}
	for range 100 {
		pic.Grey = append(pic.Grey, grey)
	}
	return pic
}

func refusal(t interface {
	Helper()
	Fatalf(string, ...any)
}, err error) *engrave.Refusal {
	t.Helper()
	var r *engrave.Refusal
	if !errors.As(err, &r) {
		t.Fatalf("no refusal: %v", err)
	}
	return r
}

// TestOverTravel: 300 mm/s at 3000 mm/s² need 15 mm (own arithmetic, v²/2a), and a switch of 2 ms
// another 0.6 mm.
func TestOverTravel(t *testing.T) {
	t.Parallel()
	p := engrave.Pattern{SpeedUMPerS: 300_000, AccelUMPerS2: 3_000_000}
	if got := p.OverTravelUM(); got != 15_000 {
		t.Errorf("%d µm, want 15 mm", got)
	}
	p.Switch.OnDelayMS, p.Switch.JitterMS = 1, 1
	if got := p.OverTravelUM(); got != 15_600 {
		t.Errorf("%d µm, want 15.6 mm", got)
	}
}

func TestSlowSwitchIsRefused(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name       string
		with       func(*engrave.Pattern)
		what, next string
	}{
		{"a relay", func(p *engrave.Pattern) { p.Switch.OnDelayMS, p.Switch.OffDelayMS = 200, 100 },
			"a dot of 0.1 mm at 100 mm/s lasts 1 ms, the switch needs 300 ms",
			"engrave at 0.333 mm/s at most, or mark its outlines instead"},
		{"edges", func(p *engrave.Pattern) { p.Switch.JitterMS = 1 },
			"the switch jitters by 1 ms at either end of a dot, which at 100 mm/s are 0.2 mm, more than the line pitch of 0.1 mm",
			"engrave at 50 mm/s at most, or mark its outlines instead"},
		{"only at rest", func(p *engrave.Pattern) { p.Switch.InMotion = false },
			"the tool is switched only while the carriage stands, and a picture is switched from dot to dot",
			"mark its outlines instead, or take a tool that is switched in motion"},
	} {
		p := pattern()
		tc.with(&p)
		_, err := engrave.Picture(square(0), p, engrave.Limits{})
		if r := refusal(t, err); r.What != tc.what || r.Next != tc.next {
			t.Errorf("%s: %q; %q", tc.name, r.What, r.Next)
		}
	}
}

// TestSlowEnough: whatever the switch, the refusal's limit is the greatest speed that is let through.
func TestSlowEnough(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := pattern()
		p.PitchUM = rapid.Int64Range(20, 500).Draw(t, "pitch")
		p.Switch.OnDelayMS = rapid.Int64Range(0, 50).Draw(t, "on")
		p.Switch.OffDelayMS = rapid.Int64Range(0, 50).Draw(t, "off")
		p.Switch.JitterMS = rapid.Int64Range(0, 50).Draw(t, "jitter")
		pic := square(0)
		pic.Width, pic.Height, pic.Grey = 1, 1, pic.Grey[:1]
		need := max(p.Switch.OnDelayMS+p.Switch.OffDelayMS+p.Switch.JitterMS, 2*p.Switch.JitterMS)
		if need == 0 {
			return
		}
		p.SpeedUMPerS = p.PitchUM * 1000 / need
		if p.SpeedUMPerS == 0 {
			return
		}
		if _, err := engrave.Picture(pic, p, engrave.Limits{}); err != nil {
			t.Fatalf("at %d µm/s: %v", p.SpeedUMPerS, err)
		}
		p.SpeedUMPerS++
		_, err := engrave.Picture(pic, p, engrave.Limits{})
		refusal(t, err)
	})
}
