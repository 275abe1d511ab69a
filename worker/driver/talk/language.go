package talk

import (
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// language is a dialect made ready for use.
type language struct {
	end, ask, hold, goOn, stop, forget, arm, disarm, alive []byte

	wakes, taken, refused, here, stopped *regexp.Regexp
	moving, toolOn, placed, held, lid    *regexp.Regexp
	span                                 *regexp.Regexp

	troubles []trouble
	unitUM   float64
	home     []string

	askIsLine, tellsOff                                      bool
	wakesWithin, takenWithin, answerWithin, askEvery, alive0 time.Duration
}

type trouble struct {
	pattern *regexp.Regexp
	kind    string
}

// learn makes a dialect ready. Errors name everything that is wrong with the driver's description.
func learn(d machine.Driver) (*language, error) {
	if problems := d.Problems(); len(problems) > 0 {
		return nil, errors.New(strings.Join(problems, "\n"))
	}
	c := d.Dialect
	ms := func(n int64) time.Duration { return time.Duration(n) * time.Millisecond }
	l := &language{home: c.Home, askIsLine: c.AskIsLine, unitUM: float64(c.HereUnitUM),
		wakesWithin: ms(c.WakesWithinMS), takenWithin: ms(c.TakenWithinMS), answerWithin: ms(c.AnswerWithinMS),
		askEvery: ms(c.AskEveryMS), alive0: ms(c.AliveEveryMS)}
	if l.unitUM == 0 {
		l.unitUM = 1000
	}
	for to, text := range map[*[]byte]string{&l.end: c.LineEnd, &l.ask: c.Ask, &l.hold: c.Hold, &l.goOn: c.GoOn, &l.stop: c.Stop,
		&l.forget: c.Forget, &l.arm: c.Arm, &l.disarm: c.Disarm, &l.alive: c.Alive} {
		var err error
		if *to, err = machine.Bytes(text); err != nil {
			return nil, err
		}
	}
	if l.askIsLine {
		l.ask = append(l.ask, l.end...)
	}
	for to, text := range map[**regexp.Regexp]string{&l.wakes: c.Wakes, &l.taken: c.Taken, &l.refused: c.Refused, &l.here: c.Here,
		&l.stopped: c.Stopped, &l.moving: c.HereMoving, &l.toolOn: c.HereToolOn, &l.placed: c.HerePlaced, &l.held: c.HereHeld, &l.lid: c.HereLidOpen,
		&l.span: c.Span} {
		if text == "" {
			continue
		}
		re, err := regexp.Compile(text)
		if err != nil {
			return nil, err
		}
		*to = re
	}
	l.tellsOff = c.TellsOff()
	for _, t := range c.Troubles {
		re, err := regexp.Compile(t.Pattern)
		if err != nil {
			return nil, err
		}
		l.troubles = append(l.troubles, trouble{re, t.Kind})
	}
	return l, nil
}

// place is what an answer to the question tells.
type place struct {
	at                                geom.Point
	moving, toolOn, placed, held, lid bool
	doneMS                            int64
	tellsDone                         bool
	off                               *geom.Point // where the tool went off, while held
}

// readHere reads an answer to the question; ok is false for anything else, also for a place that is
// no number.
func (l *language) readHere(text string) (p place, ok bool) {
	m := l.here.FindStringSubmatch(text)
	if m == nil {
		return p, false
	}
	x, errX := strconv.ParseFloat(group(l.here, m, "x"), 64)
	y, errY := strconv.ParseFloat(group(l.here, m, "y"), 64)
	if errX != nil || errY != nil || math.Abs(x) > furthest || math.Abs(y) > furthest {
		return p, false
	}
	p.at = geom.Pt(int64(math.Round(x*l.unitUM)), int64(math.Round(y*l.unitUM)))
	if done := group(l.here, m, "done_ms"); done != "" {
		ms, err := strconv.ParseInt(done, 10, 64)
		if err != nil {
			return p, false
		}
		p.doneMS, p.tellsDone = ms, true
	}
	if offX, offY := group(l.here, m, "off_x"), group(l.here, m, "off_y"); offX != "" && offY != "" {
		x, errX := strconv.ParseFloat(offX, 64)
		y, errY := strconv.ParseFloat(offY, 64)
		if errX != nil || errY != nil || math.Abs(x) > furthest || math.Abs(y) > furthest {
			return p, false
		}
		off := geom.Pt(int64(math.Round(x*l.unitUM)), int64(math.Round(y*l.unitUM)))
		p.off = &off
	}
	has := func(re *regexp.Regexp) bool { return re != nil && re.MatchString(text) }
	p.moving, p.toolOn, p.placed, p.held, p.lid = has(l.moving), has(l.toolOn), has(l.placed), has(l.held), has(l.lid)
	return p, true
}

// readSpan reads what the machine tells of a span that it measured; 0 for an axis that it does not name.
func (l *language) readSpan(text string) (span geom.Point, ok bool) {
	if l.span == nil {
		return span, false
	}
	m := l.span.FindStringSubmatch(text)
	if m == nil {
		return span, false
	}
	for name, to := range map[string]*int64{"x": &span.X, "y": &span.Y} {
		v, err := strconv.ParseFloat(group(l.span, m, name), 64)
		if err == nil && math.Abs(v) <= furthest {
			*to = int64(math.Round(v * l.unitUM))
		}
	}
	return span, true
}

// furthest is beyond what any machine could mean, in whatever unit.
const furthest = 1e9

// arrived says whether the machine tells that it has the line as it was sent; nil where it does not
// tell.
func (l *language) arrived(text, line string) error {
	m := l.taken.FindStringSubmatch(text)
	if n := group(l.taken, m, "bytes"); n != "" && n != strconv.Itoa(len(line)) {
		return fmt.Errorf("of a line of %d bytes it heard %s", len(line), n)
	}
	if sum := group(l.taken, m, "crc"); sum != "" {
		if v, err := strconv.ParseUint(sum, 16, 32); err != nil || uint32(v) != crc32.ChecksumIEEE([]byte(line)) {
			return errors.New("it heard another line than was sent")
		}
	}
	return nil
}

// words are the machine's own words for a refusal.
func (l *language) words(text string) string {
	if why := group(l.refused, l.refused.FindStringSubmatch(text), "why"); why != "" {
		return why
	}
	return text
}

// group is a named group of a match; empty where there is none.
func group(re *regexp.Regexp, m []string, name string) string {
	if i := re.SubexpIndex(name); i >= 0 && i < len(m) {
		return m[i]
	}
	return ""
}
