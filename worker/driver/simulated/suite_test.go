package simulated

import (
	"testing"

	"go.uber.org/goleak"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/drivertest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// bedSigns is a small machine for garden bed signs: 1 m/s², 200 mm/s travel, 100 mm/s work.
func bedSigns() machine.Profile {
	return machine.Profile{
		Name:              "bed signs",
		TravelUM:          geom.Box{Max: geom.Pt(300_000, 200_000)},
		HardStops:         geom.Box{Min: geom.Pt(-2_000, -2_000), Max: geom.Pt(302_000, 202_000)},
		TravelSpeedUMPerS: 200_000, WorkSpeedUMPerS: 200_000,
		AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 1_000_000, CornerToleranceUM: 10,
		PlacingX: machine.Placing{How: machine.PlacingEndSwitch},
		PlacingY: machine.Placing{How: machine.PlacingEndSwitch},
		Tools: []machine.Tool{
			{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 450, PowerMW: 5_000, SpotUM: 150,
				Switch: machine.Switch{Kind: machine.SwitchLevel, Levels: true}},
			{Name: "pen", Kind: machine.ToolPen, SpotUM: 400, Switch: machine.Switch{Kind: machine.SwitchHold}},
		},
		Driver: machine.Driver{Kind: machine.DriverSimulated},
	}
}

// slowSwitch is the same machine with a switch that follows late.
func slowSwitch(on, off int64) machine.Profile {
	p := bedSigns()
	p.Tools[0].Switch.OnDelayMS, p.Tools[0].Switch.OffDelayMS = on, off
	return p
}

func TestSuite(t *testing.T) {
	t.Parallel()
	owedBytes := bedSigns()
	owedBytes.Driver.OwedBytes = 127
	centred := bedSigns()
	centred.TravelUM = geom.Box{Min: geom.Pt(-150_000, -100_000), Max: geom.Pt(150_000, 100_000)}
	centred.HardStops = centred.TravelUM
	centred.PlacingX.How, centred.PlacingY.How = machine.PlacingMiddleOfSpan, machine.PlacingByHand
	fast := bedSigns()
	fast.Driver.MotionScale = 2
	for name, c := range map[string]Config{
		"lines owed":  {Profile: bedSigns()},
		"bytes owed":  {Profile: owedBytes},
		"pen":         {Profile: bedSigns(), Tool: "pen"},
		"middle":      {Profile: centred},
		"double time": {Profile: fast},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			drivertest.Exercise(t, drivertest.Suite{
				Low: c.Profile.TravelUM.Min,
				New: func(t testing.TB) driver.Driver {
					d, err := New(c)
					if err != nil {
						t.Fatal(err)
					}
					return d
				},
			})
		})
	}
}

// The suite in real time, as drivers of machines in other processes run it; not parallel, since it
// looks for goroutines left behind.
func TestSuiteInRealTime(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds of real time")
	}
	p := bedSigns()
	p.Driver.MotionScale = 10
	drivertest.Exercise(t, drivertest.Suite{
		Real: true,
		New: func(t testing.TB) driver.Driver {
			d, err := New(Config{Profile: p})
			if err != nil {
				t.Fatal(err)
			}
			return d
		},
	})
}
