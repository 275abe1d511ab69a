package simulated

import (
	"fmt"
	"math"

	"kerfgate/plan/geom"
	"kerfgate/worker/driver"
)

// ask sends bytes and the question where the machine is; ok is false when it does not answer. The
// caller holds mu and has caught up. Nobody is woken: an answer to a question changes nothing.
func (d *Driver) ask(first ...byte) (driver.Status, bool) {
	d.m.receive(append(first, askWhere))
	var kept []string
	var here string
	for _, text := range d.m.answers() {
		if text[0] == sayHere {
			here = text[1:]
			continue
		}
		kept = append(kept, text)
	}
	d.m.out = append(kept, d.m.out...)
	return readHere(here)
}

// readHere reads the machine's answer.
func readHere(text string) (driver.Status, bool) {
	var s driver.Status
	var x, y float64
	n, err := fmt.Sscanf(text, "X%f Y%f placed=%t tool=%t moving=%t done=%d span=%d,%d", &x, &y, &s.Homed, &s.ToolOn, &s.Moving, &s.DoneMS,
		&s.Span.X, &s.Span.Y)
	s.Position = geom.Pt(int64(math.Round(x*1000)), int64(math.Round(y*1000)))
	return s, err == nil && n == 8
}

// Where is a glance at the machine. It is no sign of life: a worker that only looks has stopped
// working.
func (d *Driver) Where() (driver.Status, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.opened || d.closed {
		return driver.Status{}, fmt.Errorf("%w: not open", driver.ErrLost)
	}
	d.catchUp()
	s, ok := d.ask()
	if !ok {
		return driver.Status{}, d.giveUp()
	}
	return s, nil
}

// Sheet is what the machine did since Arm. The picture is drawn while the machine goes on.
func (d *Driver) Sheet() (*driver.Sheet, error) {
	d.mu.Lock()
	d.catchUp()
	s := d.m.sheet.copy()
	d.mu.Unlock()
	picture, err := s.draw(d.cfg.Crop)
	if err != nil {
		return nil, err
	}
	return &driver.Sheet{
		PNG: picture, BurnedUM: int64(math.Round(s.lengthMM * 1000)),
		EnergyMJ: int64(math.Round(s.energyMJ)), Polylines: s.lines,
	}, nil
}

// Peak is the greatest dose that a quarter-millimetre cell of the sheet has had since Arm, in
// millijoules (with a pen: micrometres of line), and where.
func (d *Driver) Peak() (float64, geom.Point) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.catchUp()
	return d.m.sheet.peak()
}
