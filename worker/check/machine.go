package check

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/user"
	"regexp"
	"slices"
	"strconv"
	"syscall"
	"time"

	"kerfgate/plan/machine"
	"kerfgate/worker/driver"
	"kerfgate/worker/driver/program"
	"kerfgate/worker/driver/serial"
)

// Profile looks at what a profile says of driver, switch and cut-off.
func Profile(p machine.Profile) []Finding {
	const what = "profile"
	var all []Finding
	for _, problem := range p.Problems() {
		all = append(all, Finding{What: what, State: Fault, Text: problem, Next: "mend the profile's driver"})
	}
	if len(all) == 0 {
		all = append(all, good(what, "%s, driver %s", p.Name, p.Driver.Kind))
	}
	if d := p.Driver.Dialect; d != nil && d.Taken != "" {
		if re, err := regexp.Compile(d.Taken); err == nil && re.SubexpIndex("bytes") < 0 && re.SubexpIndex("crc") < 0 {
			all = append(all, Finding{What: what, State: Warning, Text: "a line that is garbled on the cable is not noticed: the machine's answer tells neither its bytes nor a sum",
				Next: "let the machine tell them, with groups named bytes or crc in taken, or use a short, shielded cable"})
		}
	}
	return append(all, beam(p)...)
}

// beam says what of a machine's beam is not as I15 and the switch rules ask.
func beam(p machine.Profile) []Finding {
	if !p.HasBeam() {
		return []Finding{good("cut-off", "no beam, so none is asked for")}
	}
	var all []Finding
	for _, t := range p.Tools {
		if t.Kind == machine.ToolBeam && t.Switch.Kind == machine.SwitchToggle && !t.Switch.HasSensor {
			all = append(all, Finding{What: "switch", State: Fault, Text: fmt.Sprintf("%s changes at each pulse and nothing says whether it is on", t.Name),
				Next: "no beam runs on it: take a switch that is on only while it is held, or add a sensor"})
		}
	}
	return append(all, CutOff(p.CutOff))
}

// CutOff says whether a beam may run on a machine (I15).
func CutOff(c machine.CutOff) Finding {
	const what = "cut-off"
	worst, ok := c.Worst()
	switch {
	case c.Means == machine.MeansProcess:
		return Finding{What: what, State: Fault, Text: "only a second process takes the beam away, which does not count; no beam runs", Next: machine.Cures}
	case !ok:
		return Finding{What: what, State: Fault, Text: "nobody has measured how long the beam stays on without this software; no beam runs", Next: "measure it: kerfgate worker commission"}
	case worst > machine.LongestCutOffMS:
		return Finding{What: what, State: Fault, Text: fmt.Sprintf("the beam stays on for %d ms without this software, at most %d are allowed; no beam runs", worst, machine.LongestCutOffMS), Next: machine.Cures}
	}
	return good(what, "at most %d ms of beam without this software, by %s", worst, c.Means)
}

// Way says whether the port or the program that a profile names is there and free.
func Way(d machine.Driver) []Finding {
	switch {
	case d.Kind == machine.DriverSerial && d.Port != nil:
		f := portFinding(*d.Port)
		return append([]Finding{f}, group(*d.Port, f.State)...)
	case d.Kind == machine.DriverProgram && d.Program != nil && len(d.Program.Command) > 0:
		if err := program.Look(*d.Program); err != nil {
			return []Finding{Bad("program", err)}
		}
		return []Finding{good("program", "%s can be started", d.Program.Command[0])}
	}
	return nil
}

func portFinding(p machine.Port) Finding {
	if err := serial.Probe(p); err != nil {
		return Bad("port", err)
	}
	return good("port", "%s is there and free", p.Path)
}

// group says whether this user gets at the port by its group, as a service does.
func group(p machine.Port, port State) []Finding {
	const what = "port's group"
	info, err := os.Stat(p.Path)
	if err != nil {
		return nil // the port's finding says it
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	name := strconv.Itoa(int(stat.Gid))
	if g, err := user.LookupGroupId(name); err == nil {
		name = g.Name
	}
	groups, err := os.Getgroups()
	if err != nil {
		return []Finding{Bad(what, err)}
	}
	if port == OK || slices.Contains(append(groups, os.Getegid()), int(stat.Gid)) {
		return []Finding{good(what, "%s belongs to %s", p.Path, name)}
	}
	return []Finding{{What: what, State: Fault, Text: fmt.Sprintf("%s belongs to the group %s, this user does not", p.Path, name),
		Next: "add the user of the worker to " + name + " and sign in again"}}
}

// openWait is how long a machine may take to answer.
const openWait = 15 * time.Second

// Answers opens the driver and asks the machine where it is. It is closed again.
func Answers(ctx context.Context, open func() (driver.Driver, error)) (f Finding) {
	const what = "machine"
	d, err := open()
	if err != nil {
		return Bad(what, err)
	}
	defer func() {
		if err := d.Close(); err != nil && f.State == OK {
			f = Bad(what, fmt.Errorf("letting go of it: %w", err))
		}
	}()
	ctx, cancel := context.WithTimeout(ctx, openWait)
	defer cancel()
	if err := d.Open(ctx); err != nil {
		if errors.Is(err, context.DeadlineExceeded) {
			err = fmt.Errorf("%w within %v", driver.ErrLost, openWait)
		}
		return Bad(what, err)
	}
	begun := time.Now()
	s, err := d.Where()
	if err != nil {
		return Bad(what, err)
	}
	place := "its axes have no place yet"
	if s.Homed {
		place = fmt.Sprintf("it stands at X%.3f Y%.3f mm", float64(s.Position.X)/1000, float64(s.Position.Y)/1000)
	}
	if s.ToolOn {
		return Finding{What: what, State: Fault, Text: "it says that its tool is on", Next: "switch the supply off and look at the switch"}
	}
	return good(what, "answers in %d ms; %s", time.Since(begun).Milliseconds(), place)
}
