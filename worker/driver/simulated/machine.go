package simulated

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// The machine's dialect: a motion line is ISO 6983 words closed by LF; everything else is one
// control character of ECMA-48 in its own sense, which never waits behind a line. Answers are lines
// that begin with a control character.
const (
	askWhere  = 0x05 // ENQ: where are you
	letGoOn   = 0x11 // DC1: turn on, resume
	letHold   = 0x13 // DC3: secondary stop: wait
	letStop   = 0x14 // DC4: turn off, interrupt
	letForget = 0x04 // EOT: end of everything told so far; ready again
	stillHere = 0x16 // SYN: nothing to say, but the host is alive

	sayTaken   = '\x06' // ACK and the line's number
	sayRefused = '\x15' // NAK and why
	sayHere    = '\x02' // STX and the answer to askWhere
	sayTrouble = '\x07' // BEL and what happened
)

// mostLines is how many lines may be owed where the profile bounds no bytes.
const mostLines = 32

// defaultWatchdog is how long the supply waits for a sign of life where neither Config nor a
// measured cut-off says otherwise.
const defaultWatchdog = 600 * time.Millisecond

// shortestWatchdog keeps a cut-off that leaves no time at all from tripping at every line.
const shortestWatchdog = 100 * time.Millisecond

// state is whether the machine takes lines.
type state int

const (
	ready   state = iota
	stopped       // until told to forget
	alarmed       // until told to forget, and placed anew
)

// mode is how the carriage treats its queue.
type mode int

const (
	going    mode = iota
	coasting      // the tool was told to go off and has not yet: on along the path
	halting       // the tool is off: slow down
	resting       // stands until told to go on
)

// controller is the imaginary machine. It is not safe for concurrent use.
type controller struct {
	carriage carriage
	supply   supply
	lost     lost
	built    *machine.Geometry // where the carriage goes when its motors stand somewhere
	sheet    *sheet
	stops    geom.Box
	travel   geom.Box
	placing  [2]machine.Placing
	limits   limits
	fault    Fault

	now   float64 // seconds of its own time
	state state
	why   string // why it is alarmed
	mode  mode
	// holding: when the carriage rests the queue is kept; resume: and it goes on at once.
	holding, resume bool
	mark            mark
	homed           bool
	span            geom.Point // as measured when the axes last found their place
	lidOpen         bool
	interlock       bool

	// what the lines taken so far have set
	program  program
	lit      bool // the program has the tool on, here on the path
	level    float64
	run      [16]byte
	edgeFile string
	edged    bool
	doneS    float64

	watchdogS float64
	heard     float64 // when the host last gave a sign of life

	in    []byte // of a line that is not complete
	over  bool   // and already too long
	inbox *string
	out   []string
	mute  bool
	lines int
	owed  int
	count int // lines owed
	ids   int
	// changes counts what a host may be waiting for: something said, done, or come to rest.
	changes int
}

// limits are what lines may ask for.
type limits struct {
	travelMMS, workMMS float64
	owedBytes          int
	levels, ink        bool
	inMotion           bool // power can be changed between two moves without stopping
}

// mark is a place on the queue at which the tool went off while holding.
type mark struct {
	set   bool
	cur   int
	done  float64
	v     float64 // how fast the carriage was there
	unit  vec     // the way on which the carriage came there
	accel float64 // along it
}

// newController builds the machine that a profile describes.
func newController(cfg Config, tool machine.Tool) *controller {
	p := cfg.Profile
	scale := float64(max(p.Driver.MotionScale, 1))
	m := &controller{
		carriage: carriage{
			ax: mm(p.AccelXUMPerS2), ay: mm(p.AccelYUMPerS2), vx: mm(p.SpeedXUMPerS), vy: mm(p.SpeedYUMPerS),
			tolerance: mm(p.CornerToleranceUM),
		},
		lost:  lost{most: vec{mm(p.BacklashXUM), mm(p.BacklashYUM)}},
		built: p.Geometry,
		stops: p.HardStops, travel: p.TravelUM,
		placing: [2]machine.Placing{p.PlacingX, p.PlacingY},
		limits: limits{
			travelMMS: mm(p.TravelSpeedUMPerS), workMMS: mm(p.WorkSpeedUMPerS),
			owedBytes: int(p.Driver.OwedBytes),
		},
		fault: cfg.Fault, edgeFile: cfg.EdgeFile, interlock: p.Enclosure.Interlock,
		// The supply's timer is a thing of its own that no scale speeds up.
		watchdogS: watchdog(cfg, tool).Seconds() * scale,
	}
	if b := p.Driver.Mechanics; b != nil {
		m.lost.most, m.built = vec{mm(b.BacklashXUM), mm(b.BacklashYUM)}, &b.Geometry
	}
	m.supply.rand = rand.New(rand.NewPCG(cfg.Seed, 1))
	m.supply.due = math.Inf(1)
	m.fit(tool)
	m.carriage.at = vec{mm(p.TravelUM.Min.X+p.TravelUM.Max.X) / 2, mm(p.TravelUM.Min.Y+p.TravelUM.Max.Y) / 2}
	m.program = program{at: m.carriage.at, motion: noMotion}
	m.sheet = newSheet(p.TravelUM, m.limits.ink)
	return m
}

// fit puts a tool on the carriage.
func (m *controller) fit(tool machine.Tool) {
	m.supply.onDelay = float64(tool.Switch.OnDelayMS) / 1000
	m.supply.offDelay = float64(tool.Switch.OffDelayMS) / 1000
	m.supply.jitter = float64(tool.Switch.JitterMS) / 1000
	m.supply.fullMW = float64(tool.PowerMW)
	m.limits.levels, m.limits.inMotion = tool.Switch.Levels, tool.Switch.InMotion
	m.limits.ink = tool.Kind == machine.ToolPen
}

// watchdog is how long the supply waits for a sign of life: what Config says, else as long as the
// profile's measured cut-off leaves after the switch's delay, else the default.
func watchdog(cfg Config, tool machine.Tool) time.Duration {
	if cfg.Watchdog > 0 {
		return cfg.Watchdog
	}
	c := cfg.Profile.CutOff
	least := min(c.CablePulledMS, c.WorkerKilledMS, c.HostSuspendedMS)
	if !c.Tested || least <= 0 {
		return defaultWatchdog
	}
	least -= tool.Switch.OffDelayMS + tool.Switch.JitterMS
	return max(time.Duration(least)*time.Millisecond, shortestWatchdog)
}

// arm closes the supply's enabling contact for a run and lays a fresh sheet.
func (m *controller) arm(run [16]byte) {
	m.run, m.edged, m.doneS = run, false, 0
	m.sheet = newSheet(m.travel, m.limits.ink)
	m.supply.enabled = true
}

// disarm opens the enabling contact: the tool goes off whatever the lines say.
func (m *controller) disarm() {
	m.supply.enabled, m.lit = false, false
	m.supply.command(m.now, false, 0)
}

// receive takes bytes from the cable.
func (m *controller) receive(data []byte) {
	for _, c := range data {
		switch c {
		case askWhere:
			m.answerWhere()
		case stillHere:
			m.heard = m.now
		case letGoOn:
			m.heard = m.now
			m.goOn()
		case letHold:
			m.hold()
		case letStop:
			m.stop()
		case letForget:
			m.forget()
		case '\n':
			m.heard = m.now
			m.lineIn()
		default:
			m.heard = m.now
			if len(m.in) == longestLine {
				m.over = true
				continue
			}
			m.in = append(m.in, c)
		}
	}
}

// lineIn is a complete line on the cable: it waits in the inbox until there is room.
func (m *controller) lineIn() {
	line := string(m.in)
	over := m.over
	m.in, m.over = m.in[:0], false
	m.lines++
	switch {
	case over:
		m.refuse(fmt.Sprintf("longer than %d bytes", longestLine))
	case m.limits.owedBytes > 0 && len(line)+1 > m.limits.owedBytes:
		m.refuse(fmt.Sprintf("longer than the %d bytes that fit", m.limits.owedBytes))
	case m.inbox != nil:
		m.refuse("sent before the last line was answered")
	default:
		m.inbox = &line
		m.take()
	}
}

// take moves the line in the inbox to the queue when there is room, and answers.
func (m *controller) take() {
	if m.inbox == nil {
		return
	}
	line := *m.inbox
	if m.state == ready && !m.room(len(line)+1) {
		return
	}
	m.inbox = nil
	var err error
	switch {
	case m.state == stopped:
		err = fmt.Errorf("stopped")
	case m.state == alarmed:
		err = fmt.Errorf("alarm: %s", m.why)
	case m.lines == m.fault.RefuseLine:
		err = fmt.Errorf("drive not ready")
	default:
		err = m.accept(line)
	}
	if err != nil {
		m.refuse(err.Error())
	} else {
		m.say(sayTaken, strconv.Itoa(m.lines))
	}
	if m.fault.MuteAfterLine > 0 && m.lines >= m.fault.MuteAfterLine {
		m.mute = true
	}
}

func (m *controller) room(bytes int) bool {
	if m.limits.owedBytes > 0 {
		return m.owed+bytes <= m.limits.owedBytes
	}
	return m.count < mostLines
}

func (m *controller) refuse(why string) { m.say(sayRefused, fmt.Sprintf("line %d: %s", m.lines, why)) }

func (m *controller) say(kind byte, text string) {
	m.changes++
	if !m.mute {
		m.out = append(m.out, string(kind)+text)
	}
}

func (m *controller) answerWhere() {
	if m.mute {
		return
	}
	m.out = append(m.out, string(sayHere)+fmt.Sprintf("X%.3f Y%.3f placed=%t tool=%t moving=%t done=%d span=%d,%d",
		m.carriage.at.x, m.carriage.at.y, m.homed, m.supply.on, m.moving(), int64(math.Round(m.doneS*1000)), m.span.X, m.span.Y))
}

// answers are the lines that the machine has sent since the last call.
func (m *controller) answers() []string {
	out := m.out
	m.out = nil
	return out
}

// moving says whether the carriage has somewhere to go and leave to go there.
func (m *controller) moving() bool {
	return m.mode == coasting || m.mode == halting || m.mode == going && !m.idle()
}

// idle says whether everything taken has been carried out.
func (m *controller) idle() bool {
	return len(m.carriage.queue) == 0 && m.inbox == nil && m.supply.due == math.Inf(1)
}

// setLid opens or closes the lid; an interlock takes the energy away and holds the carriage.
func (m *controller) setLid(open bool) {
	if m.lidOpen == open {
		return
	}
	m.lidOpen = open
	if open {
		m.say(sayTrouble, "lid open")
		if m.interlock {
			m.hold()
		}
	}
}

// mm turns whole micrometres into millimetres.
func mm(um int64) float64 { return float64(um) / 1000 }

// um rounds a place to whole micrometres.
func um(v vec) geom.Point {
	return geom.Pt(int64(math.Round(v.x*1000)), int64(math.Round(v.y*1000)))
}

// inside says whether a place lies within a box, edges included.
func inside(b geom.Box, v vec) bool {
	return v.x >= mm(b.Min.X) && v.x <= mm(b.Max.X) && v.y >= mm(b.Min.Y) && v.y <= mm(b.Max.Y)
}

// printable says whether a line holds nothing but what a person could have typed.
func printable(line string) bool {
	return strings.IndexFunc(line, func(r rune) bool { return r < ' ' || r > '~' }) < 0
}
