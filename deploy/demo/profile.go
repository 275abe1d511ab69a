package demo

import (
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/worker/driver/simulated"
)

// Machine is one demo machine; its worker lives in a folder named after its bay.
type Machine struct {
	Bay     string
	Name    string
	Tool    string
	Profile machine.Profile
}

// Machines are the demo's machines by bay.
func Machines() []Machine {
	return []Machine{
		{"Bay 1", "CO₂ cutter, lidded", "beam", LiddedCutter()},
		{"Bay 2", "diode, open", "beam", OpenDiode()},
		{"Bay 3", "pen plotter", "pen", Plotter()},
	}
}

// Scales of the simulated machines, said on every screen: motion runs at ten times, purge and fire
// watch at sixty times. Attendance and a permit's age always run in real time.
const (
	motionScale = 10
	waitScale   = 60
)

// drive is how all demo machines are driven.
func drive() machine.Driver {
	return machine.Driver{Kind: machine.DriverSimulated, MotionScale: motionScale, WaitScale: waitScale}
}

func bed(widthUM, heightUM int64) (travel, stops geom.Box) {
	travel = geom.Box{Max: geom.Pt(widthUM, heightUM)}
	return travel, geom.Box{Min: geom.Pt(-3000, -3000), Max: geom.Pt(widthUM+3000, heightUM+3000)}
}

// LiddedCutter is a 40 W CO₂ cutter with a lid whose own chain takes the beam away.
func LiddedCutter() machine.Profile {
	travel, stops := bed(500_000, 300_000)
	placing := machine.Placing{How: machine.PlacingEndSwitch, RepeatErrorUM: 30}
	return measured(machine.Profile{
		Name: "lidded 40 W CO₂ cutter", TravelUM: travel, HardStops: stops, SmallestStepUM: 10,
		TravelSpeedUMPerS: 300_000, WorkSpeedUMPerS: 200_000, AccelXUMPerS2: 2_500_000, AccelYUMPerS2: 1_500_000, CornerToleranceUM: 30,
		PlacingX: placing, PlacingY: placing, SupportUM: 12_000,
		Tools: []machine.Tool{{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 10_600, PowerMW: 40_000, SpotUM: 200, EyewearODTenths: 50,
			BeamUM: 4_000, DivergenceURad: 4_000, FocalDistanceUM: 8_000,
			Switch: machine.Switch{Kind: machine.SwitchLevel, OnDelayMS: 2, OffDelayMS: 2, JitterMS: 1, Levels: true, LeastPermille: 20, InMotion: true}}},
		Enclosure: machine.Enclosure{Kind: machine.EnclosureLidded, VolumeL: 60, Interlock: true},
		Air:       machine.Air{CommissionedPa: 120, MeasuredFlowM3PerH: 150, MixingFactor: 10},
		CutOff:    machine.CutOff{Means: "supply relay with a timer of its own"},
		Driver:    drive(),
	})
}

// OpenDiode is a 5 W 445 nm diode on a home-built carriage: open, with a slow on/off switch that is
// told while the carriage moves, and a pen holder as its second tool, which is lifted at rest.
func OpenDiode() machine.Profile {
	travel, stops := bed(320_000, 320_000)
	return measured(machine.Profile{
		Name: "open 5 W diode, home-built", TravelUM: travel, HardStops: stops, SmallestStepUM: 50,
		TravelSpeedUMPerS: 100_000, WorkSpeedUMPerS: 60_000, AccelXUMPerS2: 500_000, AccelYUMPerS2: 400_000, CornerToleranceUM: 80,
		PlacingX:  machine.Placing{How: machine.PlacingMiddleOfSpan, SpanUM: 320_000, RepeatErrorUM: 150},
		PlacingY:  machine.Placing{How: machine.PlacingByHand, RepeatErrorUM: 400},
		SupportUM: 25_000,
		Tools: []machine.Tool{
			{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 445, PowerMW: 5000, SpotUM: 180, EyewearODTenths: 52,
				BeamUM: 4_000, DivergenceURad: 1_500, FocalDistanceUM: 20_000, LongestOnMS: 120_000, RestMS: 20_000,
				Switch: machine.Switch{Kind: machine.SwitchHold, OnDelayMS: 80, OffDelayMS: 60, JitterMS: 20, InMotion: true}},
			{Name: "pen", Kind: machine.ToolPen, SpotUM: 400, Switch: machine.Switch{Kind: machine.SwitchHold, OnDelayMS: 250, OffDelayMS: 250}},
		},
		Enclosure: machine.Enclosure{Kind: machine.EnclosureOpen},
		Air:       machine.Air{CommissionedPa: 60, MeasuredFlowM3PerH: 90, MixingFactor: 10},
		CutOff:    machine.CutOff{Means: "spring return and a timer of its own in the beam's supply"},
		Driver:    drive(),
	})
}

// Plotter is a pen plotter.
func Plotter() machine.Profile {
	travel, stops := bed(420_000, 297_000)
	placing := machine.Placing{How: machine.PlacingEndSwitch, RepeatErrorUM: 50}
	return machine.Profile{
		Name: "pen plotter", TravelUM: travel, HardStops: stops, SmallestStepUM: 25,
		TravelSpeedUMPerS: 250_000, WorkSpeedUMPerS: 120_000, AccelXUMPerS2: 1_500_000, AccelYUMPerS2: 1_500_000, CornerToleranceUM: 60,
		PlacingX: placing, PlacingY: placing,
		Tools:     []machine.Tool{{Name: "pen", Kind: machine.ToolPen, SpotUM: 500, Switch: machine.Switch{Kind: machine.SwitchHold, OnDelayMS: 120, OffDelayMS: 80}}},
		Enclosure: machine.Enclosure{Kind: machine.EnclosureOpen},
		CutOff:    machine.CutOff{Means: "no beam"},
		Driver:    drive(),
	}
}

// measured fills in the cut-off with what the simulated supply really does: the same code that cuts
// it off when a run's lines stop coming (I15).
func measured(p machine.Profile) machine.Profile {
	means := p.CutOff.Means
	p.CutOff = simulated.MeasureCutOff(p)
	p.CutOff.Means = means
	return p
}
