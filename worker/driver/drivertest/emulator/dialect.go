package emulator

import (
	"slices"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// The carriage's commands: one byte each on a serial cable, a word and a line end on a descriptor of
// their own. All of this was made up for these tests.
const (
	cmdAsk = iota
	cmdHold
	cmdGoOn
	cmdStop
	cmdForget
	cmdAlive
	cmdArm
	cmdDisarm
)

// firstCommand is the byte of cmdAsk on a serial cable.
const firstCommand = 0xA1

var words = []string{"where", "rest", "onward", "enough", "afresh", "present", "unlock", "lock"}

func commandOf(b byte) (int, bool) {
	n := int(b) - firstCommand
	return n, n >= 0 && n < len(words)
}

// Profile is a machine that this carriage can be: 200 × 100 mm with a beam that goes on and off at
// once.
func Profile() machine.Profile {
	travel := geom.Box{Max: geom.Pt(200_000, 100_000)}
	return machine.Profile{
		Name: "bench carriage", TravelUM: travel, HardStops: geom.Box{Min: geom.Pt(-2000, -2000), Max: geom.Pt(202_000, 102_000)}, SmallestStepUM: 10,
		TravelSpeedUMPerS: 200_000, WorkSpeedUMPerS: 100_000, AccelXUMPerS2: 1_000_000, AccelYUMPerS2: 1_000_000, CornerToleranceUM: 50,
		Tools: []machine.Tool{
			{Name: "beam", Kind: machine.ToolBeam, WavelengthNM: 445, PowerMW: 5000, SpotUM: 150, Switch: machine.Switch{Kind: machine.SwitchHold}},
			{Name: "pen", Kind: machine.ToolPen, SpotUM: 400, Switch: machine.Switch{Kind: machine.SwitchHold}},
		},
	}
}

// common is what both ways of talking share.
func common() machine.Dialect {
	return machine.Dialect{
		LineEnd: "\n", Taken: `^have (?P<bytes>\d+) (?P<crc>[0-9a-f]{8})$`, Refused: `^won't: (?P<why>.*)$`, TakenWithinMS: 5000,
		Here:       `^at (?P<x>-?\d+\.\d{3}) (?P<y>-?\d+\.\d{3})( |$)`,
		HereMoving: ` busy( |$)`, HereToolOn: ` lit( |$)`, HerePlaced: ` sure( |$)`, HereHeld: ` resting( |$)`, HereLidOpen: ` agape( |$)`,
		AnswerWithinMS: 200, AskEveryMS: 20, Wakes: `^good morning$`, WakesWithinMS: 2000, Home: []string{"G28"}, Span: `^between (?P<x>\d+\.\d{3})( (?P<y>\d+\.\d{3}))?$`,
		Troubles: []machine.Trouble{{Pattern: `^help: `, Kind: machine.TroubleAlarm}, {Pattern: `^lid up$`, Kind: machine.TroubleLid},
			{Pattern: `^stuffy$`, Kind: machine.TroubleFlow}},
	}
}

// SerialDialect is how the carriage talks on a serial cable; it counts its own time.
func SerialDialect() *machine.Dialect {
	d := common()
	d.Here = `^at (?P<x>-?\d+\.\d{3}) (?P<y>-?\d+\.\d{3}) (?P<done_ms>\d+)( |$)`
	for i, to := range []*string{&d.Ask, &d.Hold, &d.GoOn, &d.Stop, &d.Forget, &d.Alive, &d.Arm, &d.Disarm} {
		*to = string(rune(firstCommand + i))
	}
	d.AliveEveryMS = 50
	return &d
}

// ProgramDialect is how it talks as a child process: it has no lock and does not count.
func ProgramDialect() *machine.Dialect {
	d := common()
	for i, to := range []*string{&d.Ask, &d.Hold, &d.GoOn, &d.Stop, &d.Forget} {
		*to = words[i] + "\n"
	}
	d.HereToolOn, d.HerePlaced = "", ""
	d.Stopped, d.AnswerWithinMS = `^enough it is$`, 1000 // of a machine that is as busy as the one that tests it
	return &d
}

// commandNamed is the command of a word.
func commandNamed(word string) int { return slices.Index(words, word) }
