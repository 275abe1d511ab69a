package commissioning

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"kerfgate/plan/machine"
)

// question asks for one thing; a faulty answer is asked for again.
type question struct {
	text string
	take func(answer string) error
}

// longestMS is beyond any delay that somebody times by hand.
const longestMS = 3_600_000

// Ask goes through the questions for a tool and fills the record. An empty answer leaves its line
// unmeasured. Errors are those of reading, io.ErrUnexpectedEOF where the answers end too soon.
func Ask(r *Record, tool machine.Tool, in io.Reader, out io.Writer) error {
	lines := bufio.NewScanner(io.LimitReader(in, 1<<20))
	for _, q := range questions(r, tool) {
		for {
			if _, err := fmt.Fprintf(out, "\n%s\n> ", q.text); err != nil {
				return err
			}
			if !lines.Scan() {
				if err := lines.Err(); err != nil {
					return err
				}
				return io.ErrUnexpectedEOF
			}
			answer := strings.TrimSpace(lines.Text())
			if answer == "" {
				break
			}
			err := q.take(answer)
			if err == nil {
				break
			}
			if _, err := fmt.Fprintf(out, "%v\n", err); err != nil {
				return err
			}
		}
	}
	return nil
}

func questions(r *Record, tool machine.Tool) []question {
	var all []question
	if tool.Kind == machine.ToolBeam {
		all = append(all,
			question{"With the beam on by the machine's own test button, pull the cable to the machine. For how many milliseconds does it stay on?\nThree tries or more, with spaces between; film it, or read a sensor. If the button itself keeps the beam on, give the time until what\nreplaces this software takes it away.", numbers(&r.CablePulledMS, 0, longestMS)},
			question{"The same, ending the worker's process by kill -9 instead.", numbers(&r.WorkerKilledMS, 0, longestMS)},
			question{"The same, suspending this host instead.", numbers(&r.HostSuspendedMS, 0, longestMS)},
			question{"What takes the beam away then? A second process does not count.", words(&r.Means)},
		)
	}
	all = append(all,
		question{"Is the tool on while it is held (hold), at a level (level), or does it change at each pulse (toggle)?", choice(&r.SwitchKind, machine.SwitchHold, machine.SwitchLevel, machine.SwitchToggle)},
		question{"Does a sensor say whether it is on? yes or no", yes(&r.HasSensor)},
		question{"From the command to the tool on, in milliseconds; five tries or more.", numbers(&r.OnMS, 0, longestMS)},
		question{"From the command to the tool off, in milliseconds; five tries or more.", numbers(&r.OffMS, 0, longestMS)},
		question{"From a press of Stop run to the tool truly off, in milliseconds; five tries or more.", numbers(&r.StopMS, 0, longestMS)},
		question{"Let the axes find their place five times or more, and each time measure where X stands, in micrometres from any fixed point.", numbers(&r.RepeatXUM, -10_000_000, 10_000_000)},
		question{"The same for Y.", numbers(&r.RepeatYUM, -10_000_000, 10_000_000)},
		question{"What does the extraction's gauge read, clean filter, lid closed, in pascal?", one(&r.FlowPa)},
		question{"What flow was measured, in cubic metres an hour?", one(&r.FlowM3H)},
	)
	return all
}

func numbers(to *[]int64, least, most int64) func(string) error {
	return func(answer string) error {
		var all []int64
		for _, word := range strings.Fields(answer) {
			v, err := strconv.ParseInt(word, 10, 64)
			if err != nil || v < least || v > most {
				return fmt.Errorf("%q is no whole number between %d and %d", word, least, most)
			}
			all = append(all, v)
		}
		*to = all
		return nil
	}
}

func one(to *int64) func(string) error {
	return func(answer string) error {
		v, err := strconv.ParseInt(answer, 10, 64)
		if err != nil || v <= 0 || v > 1_000_000 {
			return fmt.Errorf("%q is no whole number between 1 and 1000000", answer)
		}
		*to = v
		return nil
	}
}

func words(to *string) func(string) error {
	return func(answer string) error {
		if len(answer) > 200 {
			return fmt.Errorf("at most 200 bytes")
		}
		*to = answer
		return nil
	}
}

func choice(to *string, of ...string) func(string) error {
	return func(answer string) error {
		if !slices.Contains(of, answer) {
			return fmt.Errorf("%q is none of %s", answer, strings.Join(of, ", "))
		}
		*to = answer
		return nil
	}
}

func yes(to *bool) func(string) error {
	return func(answer string) error {
		switch answer {
		case "yes":
			*to = true
		case "no":
			*to = false
		default:
			return fmt.Errorf("yes or no")
		}
		return nil
	}
}
