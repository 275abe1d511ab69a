package machine

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// Port is the serial port at which a machine hangs.
type Port struct {
	Path     string `json:"path"` // a name that stays when it is unplugged, such as a link made by a rule
	Baud     int64  `json:"baud"`
	DataBits int64  `json:"data_bits"` // 7 or 8
	Parity   string `json:"parity"`    // one of the Parity constants
	StopBits int64  `json:"stop_bits"` // 1 or 2
	// CutOffLine is the port's output (CutOffDTR, CutOffRTS) that the cut-off hangs at: high while the
	// driver works, dropped when the machine does not answer a stop. Empty where there is none.
	CutOffLine string `json:"cut_off_line,omitempty"`
}

// Parities.
const (
	ParityNone = "none"
	ParityOdd  = "odd"
	ParityEven = "even"
)

// Outputs of a port at which a cut-off may hang.
const (
	CutOffDTR = "dtr"
	CutOffRTS = "rts"
)

// Program is a child process that drives the machine: it takes lines on its standard input, answers
// on its standard output, takes commands that never wait behind a line on descriptor 3, and a stop by
// SIGTERM as well. End of input means tool off and end.
type Program struct {
	Command []string `json:"command"` // the first is a path, or a name looked for in PATH
}

// Dialect is how a machine takes lines and how it answers. What is sent is text whose characters up
// to U+00FF stand for one byte each; patterns are regular expressions (RE2) held against one line of
// the answer. Whatever is empty the machine cannot do. Nothing here has a default taken from a product.
type Dialect struct {
	LineEnd string `json:"line_end"` // closes each line that is sent
	// Wakes is what the machine says when it has just started; heard later it means that it has
	// started anew and knows nothing any more. Opening waits up to WakesWithinMS for it.
	Wakes         string `json:"wakes,omitempty"`
	WakesWithinMS int64  `json:"wakes_within_ms,omitempty"`
	// Taken and Refused answer each line. Where Taken has a group named bytes it must tell how many
	// bytes the line had, without its end, and a group named crc their CRC-32 (IEEE 802.3) in
	// hexadecimal: only then is a line that was garbled on its way noticed. A group named why in Refused
	// holds the machine's words.
	Taken         string `json:"taken"`
	Refused       string `json:"refused"`
	TakenWithinMS int64  `json:"taken_within_ms"` // a full machine may keep a line waiting so long
	// Ask asks where the carriage is, Here answers it with groups named x and y, in units of
	// HereUnitUM micrometres (0: millimetres), and perhaps done_ms: time carried out since Arm, and off_x and off_y:
	// where the tool went off while the machine is held. AskIsLine
	// means that the question is a line like others, with LineEnd; else it never waits behind a line.
	Ask        string `json:"ask"`
	AskIsLine  bool   `json:"ask_is_line,omitempty"`
	Here       string `json:"here"`
	HereUnitUM int64  `json:"here_unit_um,omitempty"`
	// What else that answer tells, each a pattern that it matches: not everything taken has been
	// carried out, the tool is on, the axes have their place, the machine is held, its lid is open.
	// Moving is needed. Without ToolOn the tool counts as on while the lines have it on; without Placed
	// the place counts as lost at each stop.
	HereMoving  string `json:"here_moving"`
	HereToolOn  string `json:"here_tool_on,omitempty"`
	HerePlaced  string `json:"here_placed,omitempty"`
	HereHeld    string `json:"here_held,omitempty"`
	HereLidOpen string `json:"here_lid_open,omitempty"`
	// AnswerWithinMS is how long the answer to Ask may take; AskEveryMS how often it is asked.
	AnswerWithinMS int64 `json:"answer_within_ms"`
	AskEveryMS     int64 `json:"ask_every_ms"`
	// Hold switches the tool off and lets the carriage rest on its path; GoOn continues. Where the machine tells
	// where the tool went off (off_x, off_y) and that it keeps its place (HerePlaced), a run goes on otherwise:
	// Stop, Forget, and the lines anew from there after a run-in. Stop switches
	// the tool off and forgets all lines and whatever there is of a line; Forget makes the machine ready
	// again after a stop or an alarm. Stopped is what it says when a stop was taken; without, the next
	// answer to Ask counts.
	Hold    string `json:"hold"`
	GoOn    string `json:"go_on"`
	Stop    string `json:"stop"`
	Forget  string `json:"forget,omitempty"`
	Stopped string `json:"stopped,omitempty"`
	// Arm lets lines switch the tool on, Disarm forbids it until then and switches it off. A machine
	// that has no such lock is stopped where others are disarmed.
	Arm    string `json:"arm,omitempty"`
	Disarm string `json:"disarm,omitempty"`
	// Alive, sent every AliveEveryMS by a driver that is at work, tells a machine that takes the tool's
	// energy away when its host falls silent that it has not.
	Alive        string `json:"alive,omitempty"`
	AliveEveryMS int64  `json:"alive_every_ms,omitempty"`
	// Home are the lines by which the axes find their place. Span is what the machine says meanwhile of
	// the way between two reference marks that it measured: groups named x and y, one or both, in units
	// of HereUnitUM.
	Home     []string  `json:"home"`
	Span     string    `json:"span,omitempty"`
	Troubles []Trouble `json:"troubles,omitempty"`
}

// Trouble is what a machine says when something happens on its own.
type Trouble struct {
	Pattern string `json:"pattern"`
	Kind    string `json:"kind"` // one of the Trouble constants
}

// Kinds of trouble.
const (
	TroubleAlarm = "alarm"
	TroubleLid   = "lid open"
	TroubleFlow  = "flow low"
)

// TellsOff says whether the machine tells where its tool went off while it is held, and keeps its place when its lines
// are forgotten, so that they can be told anew from there.
func (d Dialect) TellsOff() bool {
	return strings.Contains(d.Here, "(?P<off_x>") && strings.Contains(d.Here, "(?P<off_y>") && d.HerePlaced != "" && d.HereHeld != ""
}

// Bytes are what a text of a dialect sends. Errors where a character is none of the first 256.
func Bytes(text string) ([]byte, error) {
	var b []byte
	for _, r := range text {
		if r > 0xFF {
			return nil, fmt.Errorf("%q holds a character that is no single byte", text)
		}
		b = append(b, byte(r))
	}
	return b, nil
}

// Problems are what is wrong with the description of a driver, each in plain words; none means that a
// driver can be made from it.
func (d Driver) Problems() []string {
	c := complaints{}
	switch d.Kind {
	case DriverSimulated:
		return nil
	case DriverSerial:
		c.port(d.Port)
	case DriverProgram:
		if d.Program == nil || len(d.Program.Command) == 0 || d.Program.Command[0] == "" {
			c.add("driver program: the profile names no command")
		}
	default:
		c.add("driver %q is none of simulated, serial, program", d.Kind)
		return c.list
	}
	if d.MotionScale > 1 || d.WaitScale > 1 {
		c.add("driver %s: only a simulated machine may have scaled times", d.Kind)
	}
	if d.Mechanics != nil {
		c.add("driver %s: only a simulated machine may be given errors of its mechanics", d.Kind)
	}
	if d.Dialect == nil {
		c.add("driver %s: the profile does not say how the machine answers (dialect)", d.Kind)
		return c.list
	}
	c.dialect(*d.Dialect)
	return c.sorted()
}

// complaints gathers problems.
type complaints struct{ list []string }

func (c *complaints) add(format string, a ...any) { c.list = append(c.list, fmt.Sprintf(format, a...)) }

func (c *complaints) port(p *Port) {
	switch {
	case p == nil || p.Path == "":
		c.add("driver serial: the profile names no port")
		return
	case p.Baud <= 0:
		c.add("port: baud is %d, must be above zero", p.Baud)
	case p.DataBits != 7 && p.DataBits != 8:
		c.add("port: data_bits is %d, must be 7 or 8", p.DataBits)
	case p.StopBits != 1 && p.StopBits != 2:
		c.add("port: stop_bits is %d, must be 1 or 2", p.StopBits)
	case !slices.Contains([]string{ParityNone, ParityOdd, ParityEven}, p.Parity):
		c.add("port: parity %q is none of none, odd, even", p.Parity)
	case !slices.Contains([]string{"", CutOffDTR, CutOffRTS}, p.CutOffLine):
		c.add("port: cut_off_line %q is none of dtr, rts", p.CutOffLine)
	}
}

// StopAnswerMS is how long a stop may stay unanswered before the machine is cut off.
const StopAnswerMS = 200

// shortestAsk keeps questions from filling the cable.
const shortestAsk = 5

func (c *complaints) dialect(d Dialect) {
	for _, f := range []struct {
		name, text string
		needed     bool
	}{
		{"line_end", d.LineEnd, true}, {"ask", d.Ask, true}, {"hold", d.Hold, true}, {"go_on", d.GoOn, true},
		{"stop", d.Stop, true}, {"forget", d.Forget, false}, {"arm", d.Arm, false}, {"disarm", d.Disarm, false}, {"alive", d.Alive, false},
	} {
		if _, err := Bytes(f.text); err != nil {
			c.add("dialect: %s: %v", f.name, err)
		} else if f.needed && f.text == "" {
			c.add("dialect: %s is missing", f.name)
		}
	}
	c.pattern("taken", d.Taken, true)
	c.pattern("refused", d.Refused, true)
	c.pattern("here", d.Here, true, "x", "y")
	c.pattern("here_moving", d.HereMoving, true)
	for name, p := range map[string]string{"wakes": d.Wakes, "here_tool_on": d.HereToolOn, "here_placed": d.HerePlaced,
		"here_held": d.HereHeld, "here_lid_open": d.HereLidOpen, "stopped": d.Stopped, "span": d.Span} {
		c.pattern(name, p, false)
	}
	for i, t := range d.Troubles {
		c.pattern(fmt.Sprintf("troubles[%d].pattern", i), t.Pattern, true)
		if !slices.Contains([]string{TroubleAlarm, TroubleLid, TroubleFlow}, t.Kind) {
			c.add("dialect: troubles[%d].kind %q is none of alarm, lid open, flow low", i, t.Kind)
		}
	}
	for _, f := range []struct {
		name        string
		value, from int64
	}{
		{"taken_within_ms", d.TakenWithinMS, 1}, {"answer_within_ms", d.AnswerWithinMS, 1}, {"ask_every_ms", d.AskEveryMS, shortestAsk},
		{"wakes_within_ms", d.WakesWithinMS, 0}, {"alive_every_ms", d.AliveEveryMS, 0}, {"here_unit_um", d.HereUnitUM, 0},
	} {
		if f.value < f.from || f.value > 600_000 {
			c.add("dialect: %s is %d, must lie between %d and 600000", f.name, f.value, f.from)
		}
	}
	if (d.Alive == "") != (d.AliveEveryMS == 0) {
		c.add("dialect: alive and alive_every_ms go together")
	}
	if (d.Arm == "") != (d.Disarm == "") {
		c.add("dialect: arm and disarm go together")
	}
	if d.Stopped == "" && d.AnswerWithinMS > StopAnswerMS {
		c.add("dialect: answer_within_ms is above %d, so the machine must say when a stop was taken (stopped)", StopAnswerMS)
	}
	if len(d.Home) == 0 {
		c.add("dialect: home has no line, so the axes never find their place")
	}
}

func (c *complaints) sorted() []string {
	slices.Sort(c.list)
	return c.list
}

// pattern checks that a pattern compiles and has the groups that are needed.
func (c *complaints) pattern(name, text string, needed bool, groups ...string) {
	if text == "" {
		if needed {
			c.add("dialect: %s is missing", name)
		}
		return
	}
	re, err := regexp.Compile(text)
	if err != nil {
		c.add("dialect: %s: %v", name, err)
		return
	}
	if re.MatchString("") {
		c.add("dialect: %s matches an empty line", name)
	}
	for _, g := range groups {
		if re.SubexpIndex(g) < 0 {
			c.add("dialect: %s has no group named %s", name, g)
		}
	}
}
