package machine_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"kerfgate/plan/machine"
)

func spoken() machine.Dialect {
	return machine.Dialect{LineEnd: "\n", Taken: "^y$", Refused: "^n$", TakenWithinMS: 1000, Ask: "a", Here: `^(?P<x>\d+) (?P<y>\d+)`,
		HereMoving: " m$", AnswerWithinMS: 100, AskEveryMS: 20, Hold: "h", GoOn: "g", Stop: "s", Home: []string{"G28"}}
}

func port() *machine.Port {
	return &machine.Port{Path: "/dev/bench", Baud: 9600, DataBits: 8, StopBits: 1, Parity: machine.ParityNone}
}

// TestProblems: each gap in a driver's description is named, and a description without gaps has none.
func TestProblems(t *testing.T) {
	t.Parallel()
	whole := func() machine.Driver {
		d := spoken()
		return machine.Driver{Kind: machine.DriverSerial, Port: port(), Dialect: &d}
	}
	if p := whole().Problems(); len(p) > 0 {
		t.Fatalf("a whole description: %q", p)
	}
	for want, spoil := range map[string]func(*machine.Driver){
		"none of simulated":       func(d *machine.Driver) { d.Kind = "telepathy" },
		"no port":                 func(d *machine.Driver) { d.Port = nil },
		"baud":                    func(d *machine.Driver) { d.Port.Baud = 0 },
		"data_bits":               func(d *machine.Driver) { d.Port.DataBits = 9 },
		"stop_bits":               func(d *machine.Driver) { d.Port.StopBits = 0 },
		"parity":                  func(d *machine.Driver) { d.Port.Parity = "" },
		"cut_off_line":            func(d *machine.Driver) { d.Port.CutOffLine = "ring" },
		"scaled times":            func(d *machine.Driver) { d.MotionScale = 10 },
		"errors of its mechanics": func(d *machine.Driver) { d.Mechanics = &machine.Mechanics{} },
		"does not say how":        func(d *machine.Driver) { d.Dialect = nil },
		"line_end is missing":     func(d *machine.Driver) { d.Dialect.LineEnd = "" },
		"stop is missing":         func(d *machine.Driver) { d.Dialect.Stop = "" },
		"no single byte":          func(d *machine.Driver) { d.Dialect.Hold = "✋" },
		"taken is missing":        func(d *machine.Driver) { d.Dialect.Taken = "" },
		"refused: error parsing":  func(d *machine.Driver) { d.Dialect.Refused = "(" },
		"matches an empty line":   func(d *machine.Driver) { d.Dialect.Taken = "y*" },
		"no group named y":        func(d *machine.Driver) { d.Dialect.Here = `^(?P<x>\d+)` },
		"here_moving is missing":  func(d *machine.Driver) { d.Dialect.HereMoving = "" },
		"taken_within_ms is 0":    func(d *machine.Driver) { d.Dialect.TakenWithinMS = 0 },
		"ask_every_ms is 1":       func(d *machine.Driver) { d.Dialect.AskEveryMS = 1 },
		"must say when a stop":    func(d *machine.Driver) { d.Dialect.AnswerWithinMS = 500 },
		"alive and alive_every":   func(d *machine.Driver) { d.Dialect.Alive = "v" },
		"arm and disarm go":       func(d *machine.Driver) { d.Dialect.Arm = "v" },
		"home has no line":        func(d *machine.Driver) { d.Dialect.Home = nil },
		"kind \"\" is none":       func(d *machine.Driver) { d.Dialect.Troubles = []machine.Trouble{{Pattern: "^x"}} },
		"troubles[0].pattern: er": func(d *machine.Driver) { d.Dialect.Troubles = []machine.Trouble{{Pattern: "(", Kind: "alarm"}} },
	} {
		d := whole()
		spoil(&d)
		if p := d.Problems(); !slices.ContainsFunc(p, func(s string) bool { return strings.Contains(s, want) }) {
			t.Errorf("%s: said %q", want, p)
		}
	}
	d := whole()
	d.Kind = machine.DriverProgram
	if p := d.Problems(); len(p) != 1 || !strings.Contains(p[0], "no command") {
		t.Errorf("a program without a command: %q", p)
	}
}

// TestBytes: characters up to U+00FF stand for one byte each.
func TestBytes(t *testing.T) {
	t.Parallel()
	if b, err := machine.Bytes("a\u0004\u00ff"); err != nil || !bytes.Equal(b, []byte{'a', 4, 0xff}) {
		t.Errorf("%x, %v", b, err)
	}
}

// TestOldProfilesKeepTheirDigest: a profile without a dialect is encoded as it was before there were any.
func TestOldProfilesKeepTheirDigest(t *testing.T) {
	t.Parallel()
	d, err := machine.Profile{Name: "old", Driver: machine.Driver{Kind: machine.DriverSimulated}}.Digest()
	if err != nil {
		t.Fatal(err)
	}
	const want = "722ff4e842c52ea294fc15352fa8f27c2af81b8905889cab369e700a046babca" // own, of the version before
	if d.String() != want {
		t.Errorf("digest %s, want %s", d, want)
	}
}
